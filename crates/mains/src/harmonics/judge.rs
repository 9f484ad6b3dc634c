use serde::{Deserialize, Serialize};
use standards::Known;

use super::HIGHEST_ORDER;
use super::judgement::{DecidingRule, HarmonicVerdict, Judgement, OptionResult, OrderResult, RatioResult};
use super::measured::Measured;
use super::rules::{Easements, Limits, Smoothed, assess, highest, mean, nearest, odd_sum_limit};
use super::tables::{Data, LimitUnit, Rule};
use crate::MainsError;
use crate::record::{Finding, FindingKind};

/// Classes of IEC 61000-3-2.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
pub enum Class {
    /// Everything that is not in another class.
    A,
    /// Portable tools; arc welding that is not professional.
    B,
    /// Lighting.
    C,
    /// Computers, their monitors, television receivers, refrigerators with a variable-speed drive, up to 600 W.
    D,
}

/// Which text of IEC 61000-3-2.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, Serialize, Deserialize)]
pub enum Edition {
    /// Edition 5 with its first amendment.
    #[default]
    #[serde(rename = "2020")]
    Amended2020,
    /// Edition 5 alone: the third order of class C times the power factor.
    #[serde(rename = "2018")]
    Plain2018,
}

/// Equipment for which the standard sets no limits, apart from small power.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Exemption {
    /// Professional equipment of more than 1 kW in all.
    Professional,
    /// Symmetrically controlled heating elements up to 200 W.
    Heating,
    /// Independent phase-control dimmers for incandescent lamps up to 1 kW.
    Dimmer,
}

/// What is to be known of the product.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Product {
    /// Its class.
    pub class: Class,
    /// Power the maker specifies, W.
    pub power_w: Option<f64>,
    /// Fundamental current the maker specifies, A (class C).
    pub fundamental_a: Option<f64>,
    /// Which text.
    #[serde(default)]
    pub edition: Edition,
    /// An exemption the user claims.
    pub exemption: Option<Exemption>,
}

impl Product {
    /// A product of this class of which nothing else is known.
    pub fn of(class: Class) -> Self {
        Self { class, power_w: None, fundamental_a: None, edition: Edition::default(), exemption: None }
    }
}

/// What is to be known of equipment above 16 A.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct LargeProduct {
    /// Short-circuit ratio at which it is to be connected; 33 needs no condition.
    pub short_circuit_ratio: f64,
    /// Balanced three-phase equipment.
    pub balanced: bool,
    /// Balanced equipment that meets one of the conditions of Table 4.
    pub table_4: bool,
    /// Reference current the maker specifies, A.
    pub reference_a: Option<f64>,
}

/// The figure the limits are made from: what the maker specifies where the measurement is within ±10 % of it.
fn declared_or_measured(
    declared: Option<f64>,
    measured: Option<f64>,
    unit: &str,
    rule: &Rule,
) -> Option<(f64, String)> {
    match (declared, measured) {
        (Some(d), Some(m)) if (m / d - 1.0).abs() <= 0.01 * rule.declared_within_percent => Some((
            d,
            format!("{d} {unit} as specified ({m:.4} {unit} measured, within ±{} %)", rule.declared_within_percent),
        )),
        (Some(d), Some(m)) => Some((
            m,
            format!(
                "{m:.4} {unit} as measured: more than ±{} % from the {d} {unit} specified",
                rule.declared_within_percent
            ),
        )),
        (Some(d), None) => Some((d, format!("{d} {unit} as specified; not measured"))),
        (None, Some(m)) => Some((m, format!("{m:.4} {unit} as measured (highest smoothed value)"))),
        (None, None) => None,
    }
}

/// Holds a recording against a class of IEC 61000-3-2.
///
/// # Errors
/// Where class C or D needs a power and neither the voltage nor a specified power is there.
pub fn judge(m: &Measured, product: &Product) -> Result<Judgement, MainsError> {
    let data = Data::embedded();
    let rule = &data.rule;
    if let Some(p) = product.power_w
        && !(p.is_finite() && p > 0.0)
    {
        return Err(MainsError::Setting {
            field: "power",
            what: p.to_string(),
            expected: "a positive number of watts".into(),
        });
    }
    let s = Smoothed::of(m, true, rule);
    let measured_w = m.has_voltage().then(|| highest(&s.power_w));
    let mut findings = m.findings.clone();
    let mut class = product.class;
    let known_w = product.power_w.or(measured_w);
    if class == Class::D && product.power_w.is_some_and(|p| p > rule.class_d_up_to_w) {
        let text = format!("class D goes up to {} W: judged as class A", rule.class_d_up_to_w);
        findings.push(Finding::remark(FindingKind::OtherRules, text));
        class = Class::A;
    }
    if let Some(reason) = exempt(class, product, rule) {
        let mut j = frame(m, &s, class, product, findings, rule);
        j.verdict = HarmonicVerdict::NoLimits;
        j.sentence = format!("No limits apply: {reason}.");
        j.orders =
            assess(&s, &[None; HIGHEST_ORDER + 1], 0.0, Easements { short_exceedance: false, odd_sum: false }, rule);
        j.orders.iter_mut().for_each(|o| o.rule = DecidingRule::Exempt);
        return Ok(unreliable(j));
    }
    if class != Class::C && product.power_w.is_none() && measured_w.is_some_and(|p| p <= rule.no_limits_up_to_w) {
        let text = format!(
            "{:.1} W were measured: equipment rated {} W or less has no limits; say its rated power",
            measured_w.unwrap_or_default(),
            rule.no_limits_up_to_w
        );
        findings.push(Finding::remark(FindingKind::OtherRules, text));
    }
    let input_a = mean(&s.input_a);
    if highest(&s.input_a) > rule.up_to_a {
        let text = format!(
            "{:.1} A were measured: above {} A per phase IEC 61000-3-12 applies instead",
            highest(&s.input_a),
            rule.up_to_a
        );
        findings.push(Finding::remark(FindingKind::OtherRules, text));
    }
    let floor_a = (0.01 * rule.floor_percent_of_input * input_a).max(rule.floor_a);
    let mut j = frame(m, &s, class, product, findings, rule);
    j.smallest_considered_a = floor_a;
    let lines = Smoothed::of(m, false, rule);
    if class == Class::C && known_w.is_some_and(|p| p <= rule.lighting_low_up_to_w) {
        let power = declared_or_measured(product.power_w, measured_w, "W", rule);
        low_lighting(&mut j, m, &s, power, floor_a, data);
    } else {
        let (limits, easements) = limits(&mut j, &s, class, product, measured_w, data)?;
        j.pohc_limit_a = odd_sum_limit(&limits, rule);
        j.orders = assess(&s, &limits, floor_a, easements, rule);
        let by_line = assess(&lines, &limits, floor_a, easements, rule);
        let all = |o: &[OrderResult]| o.iter().all(|o| o.pass);
        j.grouping_decides = all(&j.orders) != all(&by_line);
    }
    conclude(&mut j, rule);
    findings_on_observation(&mut j, m, rule);
    Ok(unreliable(j))
}

/// Why the equipment has no limits.
fn exempt(class: Class, product: &Product, rule: &Rule) -> Option<String> {
    let p = product.power_w;
    match (product.exemption, p) {
        (Some(Exemption::Professional), Some(p)) if p > rule.professional_above_w => {
            return Some(format!("professional equipment of more than {} W", rule.professional_above_w));
        }
        (Some(Exemption::Heating), Some(p)) if p <= rule.heating_up_to_w => {
            return Some(format!("symmetrically controlled heating elements up to {} W", rule.heating_up_to_w));
        }
        (Some(Exemption::Dimmer), Some(p)) if p <= rule.dimmer_up_to_w => {
            return Some(format!("an independent phase-control dimmer up to {} W", rule.dimmer_up_to_w));
        }
        _ => {}
    }
    match (class, p) {
        (Class::C, Some(p)) if p <= rule.lighting_up_to_w => {
            Some(format!("lighting of {p} W, not above {} W", rule.lighting_up_to_w))
        }
        (Class::A | Class::B | Class::D, Some(p)) if p <= rule.no_limits_up_to_w => {
            Some(format!("rated {p} W, not above {} W", rule.no_limits_up_to_w))
        }
        _ => None,
    }
}

/// A judgement without its orders.
fn frame(
    m: &Measured,
    s: &Smoothed,
    class: Class,
    product: &Product,
    findings: Vec<Finding>,
    rule: &Rule,
) -> Judgement {
    let fundamental_a = mean(&s.orders[1]);
    let power_w = Measured::mean(&m.series.power_w);
    let apparent: Option<f64> =
        Measured::mean(&m.series.voltage_v.iter().zip(&m.series.input_a).map(|(u, i)| u * i).collect::<Vec<_>>());
    Judgement {
        standard: match product.edition {
            Edition::Amended2020 => "IEC 61000-3-2:2018+A1:2020".into(),
            Edition::Plain2018 => "IEC 61000-3-2:2018".into(),
        },
        class: format!("{class:?}"),
        source: rule.source.clone(),
        known: rule.known,
        verdict: HarmonicVerdict::Pass,
        sentence: String::new(),
        orders: Vec::new(),
        fundamental_a,
        input_current_a: mean(&s.input_a),
        power_w,
        power_factor: power_w.zip(apparent).filter(|x| x.1 > 0.0).map(|(p, s)| p.abs() / s),
        limit_power_w: None,
        limit_basis: None,
        thc_a: s.distortion_a,
        thd_percent: if fundamental_a > 0.0 { 100.0 * s.distortion_a / fundamental_a } else { 0.0 },
        pohc_a: s.odd_sum_a,
        pohc_limit_a: None,
        smallest_considered_a: 0.0,
        grouping_decides: false,
        options: Vec::new(),
        ratio: None,
        findings,
    }
}

/// Limits in A of every class but lighting up to 25 W.
fn limits(
    j: &mut Judgement,
    s: &Smoothed,
    class: Class,
    product: &Product,
    measured_w: Option<f64>,
    data: &Data,
) -> Result<(Limits, Easements), MainsError> {
    let rule = &data.rule;
    let a = data.table("class-a");
    let mut limits: Limits = [None; HIGHEST_ORDER + 1];
    let table = match class {
        Class::A | Class::B => a,
        Class::C if product.edition == Edition::Plain2018 => data.table("class-c-2018"),
        Class::C => data.table("class-c"),
        Class::D => data.table("class-d"),
    };
    j.source.clone_from(&table.source);
    j.known = table.known;
    let basis = match table.unit {
        LimitUnit::A => 1.0,
        LimitUnit::Percent => {
            let measured = highest(&s.orders[1]);
            let (value, words) = declared_or_measured(product.fundamental_a, Some(measured), "A", rule)
                .unwrap_or((measured, String::new()));
            j.limit_basis = Some(format!("fundamental current {words}"));
            0.01 * value
        }
        LimitUnit::MilliamperePerWatt => {
            let (value, words) =
                declared_or_measured(product.power_w, measured_w, "W", rule).ok_or_else(|| MainsError::Setting {
                    field: "power",
                    what: "neither specified nor measured".into(),
                    expected: "class D takes its limits from the power: give it, or the voltage column".into(),
                })?;
            j.limit_power_w = Some(value);
            j.limit_basis = Some(format!("power {words}"));
            1e-3 * value
        }
    };
    for (h, slot) in limits.iter_mut().enumerate().skip(2) {
        let Some(mut limit) = table.at(h) else { continue };
        if h == 3 && table.third_times_power_factor() {
            limit *= j.power_factor.ok_or_else(|| MainsError::Setting {
                field: "voltage",
                what: "not recorded".into(),
                expected: "the third order's limit of this edition needs the power factor: give the voltage column"
                    .into(),
            })?;
        }
        limit *= basis;
        if class == Class::B {
            limit *= 1.5;
        }
        if class == Class::D
            && let Some(cap) = a.at(h)
        {
            limit = limit.min(cap);
        }
        *slot = Some(limit);
    }
    Ok((limits, Easements { short_exceedance: class == Class::A, odd_sum: true }))
}

/// Lighting above 5 W and up to 25 W: any one of three ways.
fn low_lighting(
    j: &mut Judgement,
    m: &Measured,
    s: &Smoothed,
    power: Option<(f64, String)>,
    floor_a: f64,
    data: &Data,
) {
    let rule = &data.rule;
    let none = Easements { short_exceedance: false, odd_sum: false };
    j.class = "C, up to 25 W".into();
    j.known = Known::Memory;
    let fundamental = highest(&s.orders[1]);
    let share = |h: usize| 100.0 * mean(&s.orders[h]) / fundamental;
    // First way: milliamperes per watt.
    let d = data.table("class-d");
    let watts = power.as_ref().map_or(0.0, |p| p.0);
    let mut by_power: Limits = [None; HIGHEST_ORDER + 1];
    for (h, slot) in by_power.iter_mut().enumerate().skip(2) {
        *slot = d.at(h).map(|x| 1e-3 * x * watts);
    }
    let first = assess(s, &by_power, floor_a, Easements { odd_sum: true, ..none }, rule);
    let first_pass = first.iter().all(|o| o.pass);
    // Third way: percentages and the total.
    let c = data.table("class-c-low-option-c");
    let mut by_percent: Limits = [None; HIGHEST_ORDER + 1];
    for (h, slot) in by_percent.iter_mut().enumerate().skip(2) {
        *slot = c.at(h).map(|x| 0.01 * x * fundamental);
    }
    let third = assess(s, &by_percent, floor_a, none, rule);
    let third_pass = third.iter().all(|o| o.pass) && j.thd_percent <= 70.0;
    // Second way: two orders and the wave shape.
    let (third_order, fifth_order) = (share(3), share(5));
    let orders_met = third_order <= 86.0 && fifth_order <= 61.0;
    let (second_pass, shape_words) = match &m.wave_shape {
        Some(w) => (
            orders_met && w.starts_at_deg <= 60.0 && w.peak_at_deg <= 65.0 && w.ends_at_deg >= 90.0,
            format!(
                "current from {:.1}° (by 60°), peak at {:.1}° (by 65°), until {:.1}° (not before 90°)",
                w.starts_at_deg, w.peak_at_deg, w.ends_at_deg
            ),
        ),
        None => (false, "the wave shape was not looked at".into()),
    };
    let sentence_of = |orders: &[OrderResult]| match nearest(orders, rule) {
        Some((h, percent)) => format!("order {h} at {percent:.0} %"),
        None => "every order is smaller than is considered".into(),
    };
    j.options = vec![
        OptionResult { name: "milliamperes per watt".into(), pass: first_pass, sentence: sentence_of(&first) },
        OptionResult {
            name: "third and fifth order and wave shape".into(),
            pass: second_pass,
            sentence: format!("third {third_order:.1} % (86 %), fifth {fifth_order:.1} % (61 %); {shape_words}"),
        },
        OptionResult {
            name: "total distortion and orders".into(),
            pass: third_pass,
            sentence: format!("total {:.1} % (70 %); {}", j.thd_percent, sentence_of(&third)),
        },
    ];
    let (limits, orders) = if first_pass || !third_pass { (by_power, first) } else { (by_percent, third) };
    j.pohc_limit_a = odd_sum_limit(&limits, rule);
    j.orders = orders;
    if let Some((value, words)) = power {
        j.limit_power_w = Some(value);
        j.limit_basis = Some(format!("power {words}"));
    }
}

/// Verdict and sentence from the orders and the options.
fn conclude(j: &mut Judgement, rule: &Rule) {
    let by_orders = j.orders.iter().all(|o| o.pass);
    if !j.options.is_empty() {
        let met = j.options.iter().find(|o| o.pass);
        j.verdict = if met.is_some() { HarmonicVerdict::Pass } else { HarmonicVerdict::Fail };
        j.sentence = match met {
            Some(o) => format!("Passes by {}: {}.", o.name, o.sentence),
            None => "Fails: none of the three ways to comply is met.".into(),
        };
        return;
    }
    j.verdict = if by_orders { HarmonicVerdict::Pass } else { HarmonicVerdict::Fail };
    let failing: Vec<String> = j.orders.iter().filter(|o| !o.pass).map(|o| o.order.to_string()).collect();
    j.sentence = match (by_orders, nearest(&j.orders, rule)) {
        (true, None) => "Passes: every order is smaller than is considered.".into(),
        (true, Some((h, percent))) => format!("Passes: nearest is order {h} at {percent:.0} % of what is allowed."),
        (false, worst) => format!(
            "Fails in order{} {}{}.",
            if failing.len() == 1 { "" } else { "s" },
            failing.join(", "),
            worst
                .map_or(String::new(), |(h, p)| format!("; furthest over is order {h} at {p:.0} % of what is allowed"))
        ),
    };
}

/// A recording with a fault proves nothing either way.
fn unreliable(mut j: Judgement) -> Judgement {
    if let Some(f) = j.findings.iter().find(|f| f.spoils_result) {
        j.sentence = format!("No verdict: {}. (As recorded: {})", f.text, j.sentence);
        j.verdict = HarmonicVerdict::Unreliable;
    }
    j
}

impl Judgement {
    /// Adds what was found elsewhere (by the watch, by the look at the supply); a fault takes the verdict away.
    pub fn with_findings(mut self, more: impl IntoIterator<Item = Finding>) -> Self {
        let had_fault = self.findings.iter().any(|f| f.spoils_result);
        self.findings.extend(more);
        if had_fault { self } else { unreliable(self) }
    }
}

/// Whether the observation was long enough: its halves must agree.
fn findings_on_observation(j: &mut Judgement, m: &Measured, rule: &Rule) {
    let n = m.windows;
    if n >= 10 {
        let half = |range: std::ops::Range<usize>, h: usize| {
            let part = &m.series.group_a[range];
            part.iter().map(|g| g[h]).sum::<f64>() / part.len() as f64
        };
        let worst = j
            .orders
            .iter()
            .filter(|o| o.percent_of_limit.is_some_and(|p| p > 10.0) && o.rule != DecidingRule::TooSmall)
            .map(|o| {
                let (a, b) = (half(0..n / 2, o.order), half(n / 2..n, o.order));
                (o.order, 50.0 * (a - b).abs() / f64::midpoint(a, b))
            })
            .max_by(|a, b| a.1.total_cmp(&b.1));
        if let Some((h, percent)) = worst
            && percent > rule.repeatability_percent
        {
            let text = format!(
                "the halves of the record differ by ±{percent:.1} % in order {h} (±{} % is asked of repetitions): \
                 observe longer, or a whole number of cycles of the product",
                rule.repeatability_percent
            );
            j.findings.push(Finding::remark(FindingKind::ShortRecord, text));
        }
    }
    if m.observed_s < 10.0 {
        let text = format!(
            "{:.1} s were observed: enough only for a current that never changes; {} s cover the standard's short cycles",
            m.observed_s, rule.long_cycle_s
        );
        j.findings.push(Finding::remark(FindingKind::ShortRecord, text));
    }
    if j.grouping_decides {
        let text = "the groups of IEC 61000-4-7 and single lines give different verdicts; the groups count here";
        j.findings.push(Finding::remark(FindingKind::Assumption, text));
    }
}

/// Holds a recording against IEC 61000-3-12 (above 16 A up to 75 A).
///
/// # Errors
/// A short-circuit ratio below 33, or a reference current that is not positive.
pub fn judge_large(m: &Measured, product: &LargeProduct) -> Result<Judgement, MainsError> {
    let data = Data::embedded();
    let rule = &data.rule;
    let table = data.ratio(match (product.balanced, product.table_4) {
        (true, true) => "balanced-table-4",
        (true, false) => "balanced",
        _ => "not-balanced",
    });
    let at = |ratio: f64| table.at(ratio);
    let limits_of = |ratio: f64| {
        at(ratio).ok_or_else(|| MainsError::Setting {
            field: "short-circuit ratio",
            what: ratio.to_string(),
            expected: format!("{} or more", table.span().0),
        })
    };
    let s = Smoothed::of(m, true, rule);
    let measured = mean(&s.input_a);
    let (reference, words) = declared_or_measured(product.reference_a, Some(measured), "A", rule)
        .filter(|r| r.0 > 0.0)
        .ok_or_else(|| MainsError::Setting {
            field: "reference current",
            what: format!("{measured} A"),
            expected: "a positive current".into(),
        })?;
    let values: Vec<f64> = (0..=HIGHEST_ORDER).map(|h| mean(&s.orders[h])).collect();
    let thc_percent = 100.0 * s.distortion_a / reference;
    let weighted: f64 = (14..=HIGHEST_ORDER).map(|h| h as f64 * values[h] * values[h]).sum();
    let pwhc_percent = 100.0 * weighted.sqrt() / reference;
    let floor_a = 0.01 * rule.ratio_floor_percent * reference;
    let none = Easements { short_exceedance: false, odd_sum: false };
    let orders_at = |l: &super::tables::RatioLimits| {
        let mut limits: Limits = [None; HIGHEST_ORDER + 1];
        for (h, percent) in &l.orders {
            limits[*h] = Some(0.01 * percent * reference);
        }
        assess(&s, &limits, floor_a, none, rule)
    };
    let passes = |ratio: f64| {
        at(ratio).is_some_and(|l| {
            thc_percent <= l.thc_percent && pwhc_percent <= l.pwhc_percent && orders_at(&l).iter().all(|o| o.pass)
        })
    };
    let l = limits_of(product.short_circuit_ratio)?;
    let product_card = Product::of(Class::A);
    let mut j = frame(m, &s, Class::A, &product_card, m.findings.clone(), rule);
    j.standard.clone_from(&table.standard);
    j.class = format!("{}, short-circuit ratio {}", table.table, product.short_circuit_ratio);
    j.source.clone_from(&table.source);
    j.known = table.known;
    j.limit_basis = Some(format!("reference current {words}"));
    j.smallest_considered_a = floor_a;
    j.orders = orders_at(&l);
    let (low, high) = table.span();
    let least = if passes(low) {
        Some(low)
    } else if passes(high) {
        let (mut no, mut yes) = (low, high);
        while yes - no > 0.01 {
            let middle = f64::midpoint(no, yes);
            if passes(middle) { yes = middle } else { no = middle }
        }
        Some((yes * 10.0).ceil() / 10.0)
    } else {
        None
    };
    conclude(&mut j, rule);
    let mut over = Vec::new();
    if thc_percent > l.thc_percent {
        over.push(format!("the total harmonic current is {thc_percent:.1} % ({:.1} % allowed)", l.thc_percent));
    }
    if pwhc_percent > l.pwhc_percent {
        over.push(format!(
            "the partial weighted harmonic current is {pwhc_percent:.1} % ({:.1} % allowed)",
            l.pwhc_percent
        ));
    }
    if !over.is_empty() {
        let orders = if j.verdict == HarmonicVerdict::Fail { format!(" {}", j.sentence) } else { String::new() };
        j.sentence = format!("Fails: {}.{orders}", over.join(" and "));
        j.verdict = HarmonicVerdict::Fail;
    }
    j.sentence.push_str(&match least {
        Some(r) if r <= low => " No connection condition is needed.".to_owned(),
        Some(r) => format!(" It passes from a short-circuit ratio of {r:.1} on, which is to be stated."),
        None => " It passes at no short-circuit ratio of the table.".to_owned(),
    });
    j.ratio = Some(RatioResult {
        short_circuit_ratio: product.short_circuit_ratio,
        reference_a: reference,
        thc_percent,
        thc_limit_percent: l.thc_percent,
        pwhc_percent,
        pwhc_limit_percent: l.pwhc_percent,
        least_ratio_that_passes: least,
    });
    if reference > 75.0 {
        let text = format!("{reference:.1} A: IEC 61000-3-12 ends at 75 A per phase");
        j.findings.push(Finding::remark(FindingKind::OtherRules, text));
    }
    findings_on_observation(&mut j, m, rule);
    Ok(unreliable(j))
}
