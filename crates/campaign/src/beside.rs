//! Two standards side by side for one product: row by row which test, level and criterion differ.

use serde::Serialize;
use standards::{Family, Limit, LimitLibrary, Place, RuleBase, Side, Standard};

use crate::answers::Answers;
use crate::plan::{Plan, PlannedTest, plan, plan_of};

/// Which side asks more.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum Harder {
    /// Both ask the same.
    Same,
    /// The left one.
    Left,
    /// The right one.
    Right,
    /// Different, neither plainly harder.
    Differs,
    /// Only the left one asks for it.
    OnlyLeft,
    /// Only the right one asks for it.
    OnlyRight,
}

/// A test as one side or both ask for it.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct BesideRow {
    /// The port's name.
    pub port_name: String,
    /// What is measured or applied, for people.
    pub test: String,
    /// As the left one asks.
    pub left: Option<PlannedTest>,
    /// As the right one asks.
    pub right: Option<PlannedTest>,
    /// Which asks more.
    pub harder: Harder,
    /// What differs, in words.
    pub differs: Vec<String>,
}

/// Two standards, or two families' standards, beside each other.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Beside {
    /// Numbers of the left one's standards.
    pub left: Vec<String>,
    /// Numbers of the right one's standards.
    pub right: Vec<String>,
    /// The rows, port by port.
    pub rows: Vec<BesideRow>,
    /// In one sentence.
    pub sentence: String,
    /// Rows of either that do not apply to this product, for the reader to know that they were looked at.
    pub not_applying: usize,
}

/// A name that is neither family nor standard.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[error("no family, place or standard `{found}`; expected one of {expected}")]
pub struct BesideError {
    /// What was found.
    pub found: String,
    /// What was expected.
    pub expected: String,
}

fn bare(text: &str) -> String {
    text.chars().filter(char::is_ascii_alphanumeric).collect::<String>().to_ascii_lowercase()
}

/// Standards that a word means: a family (with the product's place), a place, an id, or part of a number such as 61326 or
/// 61000-6-2.
fn meant<'a>(word: &str, answers: &Answers, rules: &'a RuleBase) -> Result<Vec<&'a Standard>, BesideError> {
    let word = word.trim();
    let of_family = |family: Option<Family>, place: Option<Place>| -> Vec<&Standard> {
        let other = Answers { family, environment: place, ..answers.clone() };
        let ids: Vec<String> = plan(&other, rules).standards.into_iter().map(|s| s.id).collect();
        rules.standards().iter().filter(|s| ids.contains(&s.id)).collect()
    };
    let place = [Place::Residential, Place::Commercial, Place::Industrial, Place::Controlled];
    let mut found: Vec<&Standard> = if let Some(family) = Family::ALL.into_iter().find(|f| f.key() == word) {
        of_family(Some(family), answers.environment)
    } else if let Some(place) = place.into_iter().find(|p| p.key() == word) {
        of_family(answers.family, Some(place))
    } else {
        Vec::new()
    };
    let wanted = bare(word);
    if found.is_empty() {
        found = rules.standards().iter().filter(|s| s.id == word).collect();
    }
    if found.is_empty() && wanted.len() >= 2 {
        // A number without its edition.
        let number = |s: &Standard| bare(s.number.split([':', '+', ',', '(']).next().unwrap_or_default());
        found = rules.standards().iter().filter(|s| number(s).ends_with(&wanted) || bare(&s.id) == wanted).collect();
        if found.is_empty() {
            found = rules
                .standards()
                .iter()
                .filter(|s| number(s).contains(&wanted) || bare(&s.id).contains(&wanted))
                .collect();
        }
        // One number with a table for each place: the product's.
        let here: Vec<&Standard> = found
            .iter()
            .copied()
            .filter(|s| s.environments.is_empty() || answers.environment.is_none_or(|e| s.environments.contains(&e)))
            .collect();
        if !here.is_empty() {
            found = here;
        }
    }
    if found.is_empty() {
        let families = Family::ALL.map(Family::key).join(", ");
        let places = place.map(Place::key).join(", ");
        let ids: Vec<&str> = rules.standards().iter().map(|s| s.id.as_str()).collect();
        return Err(BesideError {
            found: word.to_owned(),
            expected: format!("{families}; {places}; {}", ids.join(", ")),
        });
    }
    Ok(found)
}

/// The product's own plan beside the standards that a word means, or two words beside each other. Where a word means
/// standards of one side only (immunity, say), the other is cut to that side as well.
///
/// # Errors
/// Names the word and what could stand there.
pub fn beside(answers: &Answers, rules: &RuleBase, left: Option<&str>, right: &str) -> Result<Beside, BesideError> {
    let right_standards = meant(right, answers, rules)?;
    let sides: Vec<Side> = right_standards.iter().map(|s| s.side).collect();
    let own = plan(answers, rules);
    let left_standards: Vec<&Standard> = match left {
        Some(word) => meant(word, answers, rules)?,
        None => rules.standards().iter().filter(|s| own.standards.iter().any(|o| o.id == s.id)).collect(),
    };
    let left_sides: Vec<Side> = left_standards.iter().map(|s| s.side).collect();
    let made = |list: &[&Standard], other: &[Side]| -> Plan {
        let ids: Vec<&str> = list.iter().filter(|s| other.contains(&s.side)).map(|s| s.id.as_str()).collect();
        // A list of nothing would mean every standard that speaks.
        if ids.is_empty() { plan_of(answers, rules, &[""]) } else { plan_of(answers, rules, &ids) }
    };
    let (a, b) = (made(&left_standards, &sides), made(&right_standards, &left_sides));
    let numbers = |p: &Plan, list: &[&Standard]| -> Vec<String> {
        if p.standards.is_empty() {
            list.iter().map(|s| s.number.clone()).collect()
        } else {
            p.standards.iter().map(|s| s.number.clone()).collect()
        }
    };
    let rows = rows(&a, &b);
    let count = |h: Harder| rows.iter().filter(|r| r.harder == h).count();
    let sentence = format!(
        "{} rows alike, {} harder on the left, {} harder on the right, {} different, {} only on the left, {} only on the right",
        count(Harder::Same),
        count(Harder::Left),
        count(Harder::Right),
        count(Harder::Differs),
        count(Harder::OnlyLeft),
        count(Harder::OnlyRight)
    );
    Ok(Beside {
        left: numbers(&a, &left_standards),
        right: numbers(&b, &right_standards),
        sentence,
        not_applying: a.left_out.len() + b.left_out.len(),
        rows,
    })
}

/// How well two tests of the same port and phenomenon belong together: by common range, then by common level.
fn likeness(a: &PlannedTest, b: &PlannedTest) -> f64 {
    let mut score = 0.0;
    for x in &a.frequency_hz {
        for y in &b.frequency_hz {
            let (low, high) = (x[0].max(y[0]), x[1].min(y[1]));
            if low <= high && low > 0.0 {
                score += 1.0 + (high / low).ln();
            }
        }
    }
    for x in &a.level {
        for y in b.level.iter().filter(|y| y.quantity == x.quantity) {
            // Dips belong together by what is left of the voltage before how long it lasts.
            let weight = if x.quantity == "residual_voltage" { 20.0 } else { 1.0 };
            let (small, large) = (x.value.min(y.value), x.value.max(y.value));
            score += weight * if large == small { 1.0 } else { small / large };
        }
    }
    score
}

fn rows(a: &Plan, b: &Plan) -> Vec<BesideRow> {
    let mut taken = vec![false; b.tests.len()];
    let mut partner: Vec<Option<usize>> = vec![None; a.tests.len()];
    // The likest pairs first.
    let mut pairs: Vec<(f64, usize, usize)> = Vec::new();
    for (i, x) in a.tests.iter().enumerate() {
        for (j, y) in b.tests.iter().enumerate() {
            // A dip to another rest of the voltage is another test.
            let rest = |t: &PlannedTest| t.level.iter().find(|l| l.quantity == "residual_voltage").map(|l| l.value);
            if x.port == y.port && x.phenomenon == y.phenomenon && x.side == y.side && rest(x) == rest(y) {
                pairs.push((likeness(x, y), i, j));
            }
        }
    }
    pairs.sort_by(|p, q| q.0.total_cmp(&p.0).then((p.1, p.2).cmp(&(q.1, q.2))));
    for (_, i, j) in pairs {
        if partner[i].is_none() && !taken[j] {
            partner[i] = Some(j);
            taken[j] = true;
        }
    }
    let row = |left: Option<&PlannedTest>, right: Option<&PlannedTest>| -> Option<BesideRow> {
        let either = left.or(right)?;
        let (harder, differs) = match (left, right) {
            (Some(x), Some(y)) => compared(x, y),
            (Some(_), None) => (Harder::OnlyLeft, Vec::new()),
            (None, _) => (Harder::OnlyRight, Vec::new()),
        };
        Some(BesideRow {
            port_name: either.port_name.clone(),
            test: either.phenomenon.name().to_owned(),
            left: left.cloned(),
            right: right.cloned(),
            harder,
            differs,
        })
    };
    let mut list: Vec<(&PlannedTest, Option<BesideRow>)> = Vec::new();
    for (i, x) in a.tests.iter().enumerate() {
        list.push((x, row(Some(x), partner[i].map(|j| &b.tests[j]))));
    }
    for (j, y) in b.tests.iter().enumerate().filter(|(j, _)| !taken[*j]) {
        debug_assert!(!taken[j]);
        list.push((y, row(None, Some(y))));
    }
    let ports: Vec<&str> = a.tests.iter().chain(&b.tests).map(|t| t.port.as_str()).collect();
    let place = |id: &str| ports.iter().position(|p| *p == id).unwrap_or(usize::MAX);
    list.sort_by_key(|(t, _)| (t.side, place(&t.port), t.phenomenon));
    list.into_iter().filter_map(|(_, r)| r).collect()
}

/// Left limit minus right limit, dB, least and most over their common range, over every pair of the same detector, unit and
/// distance; `None` where no pair compares or one side has a detector that the other has not.
fn limits_apart_db(left: &[String], right: &[String]) -> Option<(f64, f64)> {
    let library = LimitLibrary::embedded();
    let of = |ids: &[String]| -> Vec<&Limit> { ids.iter().filter_map(|id| library.get(id)).collect() };
    let (a, b) = (of(left), of(right));
    let alike = |p: &Limit, q: &Limit| p.detector == q.detector && p.unit == q.unit && p.distance_m == q.distance_m;
    let lonely = |list: &[&Limit], other: &[&Limit]| {
        list.iter().any(|p| !other.iter().any(|q| q.detector == p.detector && q.unit == p.unit))
    };
    if a.is_empty() || b.is_empty() || lonely(&a, &b) || lonely(&b, &a) {
        return None;
    }
    let mut apart: Option<(f64, f64)> = None;
    for (p, q) in a.iter().flat_map(|p| b.iter().filter(|q| alike(p, q)).map(move |q| (p, q))) {
        let ends = |l: &Limit| {
            let points = l.level.points();
            points.first().zip(points.last()).map(|(a, b)| (a.0, b.0))
        };
        let (Some((p_from, p_to)), Some((q_from, q_to))) = (ends(p), ends(q)) else { continue };
        let (from, to) = (p_from.max(q_from), p_to.min(q_to));
        if from >= to {
            continue;
        }
        for k in 0..=200 {
            let f = from * (to / from).powf(f64::from(k) / 200.0);
            if let (Some(x), Some(y)) = (p.at(f), q.at(f)) {
                let d = x - y;
                apart = Some(apart.map_or((d, d), |(low, high)| (low.min(d), high.max(d))));
            }
        }
    }
    apart
}

/// A higher figure is harder, except what is left of a dipped voltage.
fn compared(x: &PlannedTest, y: &PlannedTest) -> (Harder, Vec<String>) {
    let mut differs = Vec::new();
    let (mut left, mut right, mut other) = (false, false, false);
    let mut lean = |more_left: bool| if more_left { left = true } else { right = true };
    for f in x.level.iter().filter(|f| !f.quantity.contains("60_hz")) {
        let Some(g) = y.level.iter().find(|g| g.quantity == f.quantity && g.unit == f.unit) else { continue };
        if (f.value - g.value).abs() > 1e-9 {
            let name = f.quantity.replace('_', " ");
            differs.push(format!("{name} {} against {} {}", f.value, g.value, f.unit));
            lean((f.value > g.value) != (f.quantity == "residual_voltage"));
        }
    }
    let quantities = |t: &PlannedTest| {
        let mut q: Vec<String> = t.level.iter().map(|l| l.quantity.clone()).filter(|q| !q.contains("60_hz")).collect();
        q.sort();
        q
    };
    if quantities(x) != quantities(y) {
        other = true;
        differs.push("other quantities of the level".to_owned());
    }
    if x.criterion != y.criterion {
        let word = |t: &PlannedTest| t.criterion.clone().unwrap_or_else(|| "none".to_owned());
        differs.push(format!("criterion {} against {}", word(x), word(y)));
        match (x.criterion.as_deref(), y.criterion.as_deref()) {
            // A is harder than B, B than C.
            (Some(p), Some(q)) if p.len() == 1 && q.len() == 1 => lean(p < q),
            _ => other = true,
        }
    }
    if x.frequency_hz != y.frequency_hz {
        let span = |t: &PlannedTest| {
            t.frequency_hz
                .iter()
                .map(|[a, b]| {
                    let f = crate::answers::hertz;
                    if a == b { f(*a) } else { format!("{} to {}", f(*a), f(*b)) }
                })
                .collect::<Vec<_>>()
                .join(", ")
        };
        let inside = |p: &PlannedTest, q: &PlannedTest| {
            p.frequency_hz.iter().all(|[a, b]| q.frequency_hz.iter().any(|[c, d]| c <= a && d >= b))
        };
        differs.push(format!("{} against {}", span(x), span(y)));
        match (inside(x, y), inside(y, x)) {
            (true, false) => lean(false),
            (false, true) => lean(true),
            _ => other = true,
        }
    }
    if x.limits != y.limits {
        match limits_apart_db(&x.limits, &y.limits) {
            // The same levels under two numbers.
            Some((low, high)) if low.abs() < 1e-9 && high.abs() < 1e-9 => {}
            Some((low, high)) if low >= 0.0 => {
                differs.push(format!("limits of the right up to {high:.1} dB lower"));
                lean(false);
            }
            Some((low, high)) if high <= 0.0 => {
                differs.push(format!("limits of the left up to {:.1} dB lower", -low));
                lean(true);
            }
            Some((low, high)) => {
                differs.push(format!("limits cross: the right's from {:.1} dB above to {high:.1} dB below", -low));
                other = true;
            }
            None => {
                differs.push(format!("limits {} against {}", x.limits.join(", "), y.limits.join(", ")));
                other = true;
            }
        }
    }
    if x.lower_levels != y.lower_levels {
        differs.push("lower levels as well on one side only".to_owned());
        lean(x.lower_levels);
    }
    let harder = match (left, right, other) {
        (false, false, false) => Harder::Same,
        (true, false, false) => Harder::Left,
        (false, true, false) => Harder::Right,
        _ => Harder::Differs,
    };
    (harder, differs)
}
