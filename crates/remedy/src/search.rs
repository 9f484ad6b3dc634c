//! The search for what is enough and least.
//!
//! Every candidate is held against the spots of the trace that matter; the promising ones are drawn by lot (parts within
//! their tolerance, sources, open phases, uncertainty of the measurement) for their chance of passing, and the best are
//! predicted over the whole trace and judged.

use emission::{JudgeOptions, Verdict, joint_probability, judge};
use serde::Serialize;
use standards::Limit;

use crate::RemedyError;
use crate::candidates::{Candidate, Change, Topology, candidates};
use crate::library::Library;
use crate::parts::{Fit, Model};
use crate::port::{Mode, Place, PortModel, Stage, ladder};
use crate::predict::{Before, Measured, ModeKnowledge, Predicted, predict};
use crate::safety::{Bounds, Figures, Supply, figures};
use crate::spots::Spots;
use crate::traps::{StabilityMargin, Warning, WarningKind, filter_warnings, hz, part_warnings, stability};

/// What is to be mended, and within which bounds.
#[derive(Debug, Clone)]
pub struct Problem {
    /// The measurement.
    pub measured: Measured,
    /// The port.
    pub port: PortModel,
    /// The limits of the run.
    pub limits: Vec<Limit>,
    /// How to judge.
    pub options: JudgeOptions,
    /// The supply.
    pub supply: Supply,
    /// What not to go beyond.
    pub bounds: Bounds,
    /// Parts to choose from.
    pub library: Library,
    /// Chance of passing that counts as enough, 0 to 1.
    pub wanted_probability: f64,
    /// At most so many remedies.
    pub most: usize,
    /// Switching frequencies of the product's converters, Hz.
    pub converters_hz: Vec<f64>,
    /// Power the converter behind this port takes, W, where known.
    pub converter_w: Option<f64>,
}

impl Problem {
    /// Frequencies that any of the limits speaks of, Hz.
    fn range_hz(&self) -> (f64, f64) {
        let ranges = self.limits.iter().map(|l| l.level.range_hz());
        ranges.reduce(|a, b| (a.0.min(b.0), a.1.max(b.1))).unwrap_or((9e3, 30e6))
    }
}

/// A part of a remedy, for lists.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct PartUse {
    /// Id of the part.
    pub id: String,
    /// For people.
    pub name: String,
    /// Its value with unit.
    pub value: String,
    /// Where it stands.
    pub place: Place,
    /// The same in words.
    pub place_words: &'static str,
    /// How many are needed.
    pub pieces: u32,
    /// The fitted part it replaces, by id.
    pub replaces: Option<String>,
    /// Cost index of all pieces.
    pub cost_index: f64,
    /// Volume of all pieces, mm³.
    pub volume_mm3: f64,
}

/// A remedy with what it would do.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Remedy {
    /// In words.
    pub name: String,
    /// Its shape.
    pub topology: Topology,
    /// What is bought.
    pub parts: Vec<PartUse>,
    /// What is done, for trying variants.
    pub changes: Vec<Change>,
    /// Smallest margin of the expected trace over both conductors, dB.
    pub margin_db: f64,
    /// Where, Hz.
    pub margin_frequency_hz: f64,
    /// Smallest margin over every source and phase left open, dB.
    pub worst_margin_db: f64,
    /// Where, Hz.
    pub worst_margin_frequency_hz: f64,
    /// Chance (0 to 1) that a measurement passes with these parts fitted.
    pub probability: f64,
    /// True where the chance is as high as was wanted.
    pub enough: bool,
    /// Earth current, charge, drop, volume, cost.
    pub figures: Figures,
    /// How hard it is to fit.
    pub fit: Fit,
    /// Stability with the product's converter, where its power is known.
    pub stability: Option<StabilityMargin>,
    /// Traps and cautions.
    pub warnings: Vec<Warning>,
    /// Predicted trace of the run's conductor.
    pub predicted: Predicted,
    /// Predicted trace of the other conductor, where it was measured.
    pub predicted_second: Option<Predicted>,
}

/// What the search found.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Found {
    /// Best first.
    pub remedies: Vec<Remedy>,
    /// How many candidates were tried.
    pub tried: usize,
    /// How many a bound forbade, with the first reason of each kind and its count.
    pub forbidden: Vec<(String, usize)>,
    /// Verdict on the run as it is.
    pub now: Verdict,
    /// What the prediction leaves open, for the whole list.
    pub notes: Vec<String>,
}

/// A candidate with its rating.
struct Rated {
    candidate: Candidate,
    figures: Figures,
    worst_db: f64,
    chance: f64,
}

/// Draws for a candidate on the shortlist.
const DRAWS: usize = 160;

/// A prepared problem: the port on the whole grid, the spots, the verdicts now. Kept while parts are changed.
pub struct Bench {
    problem: Problem,
    before: Before,
    spots: Spots,
    now: Verdict,
    now_second: Option<Verdict>,
    sigma_db: f64,
}

impl Bench {
    /// Prepares a problem.
    ///
    /// # Errors
    /// Traces that do not fit each other or the limits, a port or supply that makes no sense.
    pub fn new(problem: Problem) -> Result<Self, RemedyError> {
        problem.measured.check()?;
        problem.port.check()?;
        problem.supply.check()?;
        problem.bounds.check()?;
        let limits: Vec<&Limit> = problem.limits.iter().collect();
        let now = judge(&problem.measured.first, &limits, &problem.options)?;
        let second = problem.measured.second.as_ref();
        let now_second = second.map(|t| judge(t, &limits, &problem.options)).transpose()?;
        let mut verdicts = vec![(&now, &problem.measured.first, second)];
        if let (Some(v), Some(t)) = (&now_second, second) {
            verdicts.push((v, t, Some(&problem.measured.first)));
        }
        let spots = Spots::new(&problem, &verdicts);
        if spots.spots.is_empty() {
            return Err(RemedyError::Traces("no level of the trace can be held against a limit".to_owned()));
        }
        let before = Before::new(&problem.port, &problem.measured.first.frequency_hz);
        let sigma_db = (now.uncertainty.expanded_db / 2.0).max(0.05);
        Ok(Self { problem, before, spots, now, now_second, sigma_db })
    }

    /// The problem it was made for.
    pub fn problem(&self) -> &Problem {
        &self.problem
    }

    /// The families of remedy at the worst frequency of either conductor, with what they can do there.
    pub fn band_map(&self, facts: crate::bandmap::SourceFacts) -> (f64, f64, Vec<crate::bandmap::Family>) {
        let worst = std::iter::once(&self.now)
            .chain(&self.now_second)
            .min_by(|a, b| a.worst_margin_db.total_cmp(&b.worst_margin_db))
            .unwrap_or(&self.now);
        let needed_db = -worst.worst_margin_db;
        let f = worst.worst_frequency_hz;
        (f, needed_db, crate::bandmap::band_map(&self.problem, f, needed_db, facts))
    }

    /// Verdict on the run as it is.
    pub fn now(&self) -> &Verdict {
        &self.now
    }

    /// Verdict on the other conductor as it is.
    pub fn now_second(&self) -> Option<&Verdict> {
        self.now_second.as_ref()
    }

    /// True where a limit is exceeded, or not settled, on either conductor.
    pub fn needs_mending(&self) -> bool {
        let over = |v: &Verdict| v.worst_margin_db < 0.0 || v.probability < self.problem.wanted_probability;
        over(&self.now) || self.now_second.as_ref().is_some_and(over)
    }

    /// Chance of passing as it is, both conductors.
    pub fn probability_now(&self) -> f64 {
        let z: Vec<f64> = self.spots.spots.iter().map(|s| s.margin_db / self.sigma_db).collect();
        joint_probability(&z, self.problem.options.common_share)
    }

    /// The predicted trace of a changed port, without judging it: what a slider needs.
    pub fn predict(&self, changes: &[Change]) -> Result<Predicted, RemedyError> {
        let after = self.after(changes)?;
        predict(&self.problem.measured, &self.problem.port, &self.before, &after, false)
            .ok_or_else(|| RemedyError::Traces("nothing to predict from".to_owned()))
    }

    /// The same at some of the frequencies only, by position in the run's trace: what a slider needs while it moves.
    pub fn predict_at(&self, changes: &[Change], positions: &[usize]) -> Result<Predicted, RemedyError> {
        let after = self.after(changes)?;
        let measured = self.problem.measured.at(positions);
        let before = Before::new(&self.problem.port, &measured.first.frequency_hz);
        predict(&measured, &self.problem.port, &before, &after, false)
            .ok_or_else(|| RemedyError::Traces("nothing to predict from".to_owned()))
    }

    fn after(&self, changes: &[Change]) -> Result<Vec<Stage>, RemedyError> {
        for change in changes {
            match change {
                Change::Add(stage) => stage.check()?,
                Change::Exchange { index, part } => {
                    let Some(s) = self.problem.port.fitted.get(*index) else {
                        return Err(RemedyError::part(&part.id, "index", index, "the position of a fitted part"));
                    };
                    Stage { place: s.place, part: part.clone() }.check()?;
                }
            }
        }
        let candidate = Candidate { topology: Topology::Own, changes: changes.to_vec() };
        Ok(candidate.after(&self.problem.port.fitted))
    }

    /// Everything about one set of changes.
    pub fn try_out(&self, topology: Topology, changes: &[Change]) -> Result<Remedy, RemedyError> {
        self.after(changes)?;
        let candidate = Candidate { topology, changes: changes.to_vec() };
        self.finish(&candidate, DRAWS)
    }

    /// Tries every candidate and gives the best.
    pub fn search(&self) -> Result<Found, RemedyError> {
        let p = &self.problem;
        let all = candidates(&p.port, &p.library, &p.bounds, &p.supply);
        let tried = all.len();
        let rule = p.bounds.rule()?;
        let mut forbidden: Vec<(String, usize)> = Vec::new();
        let mut allowed = Vec::with_capacity(all.len());
        for candidate in all {
            let after = candidate.after(&p.port.fitted);
            let f = figures(&after, &candidate.new_stages(&p.port.fitted), &p.supply, rule);
            if let Some(reason) = p.bounds.broken(&f) {
                let kind = reason.trim_start_matches(|c: char| c.is_ascii_digit() || c == '.' || c == ' ').to_owned();
                match forbidden.iter_mut().find(|(k, _)| *k == kind) {
                    Some((_, n)) => *n += 1,
                    None => forbidden.push((kind, 1)),
                }
                continue;
            }
            allowed.push((candidate, f));
        }
        let rated = self.rate_all(allowed);
        let shortlist = shortlist(rated, p.wanted_probability);
        let mut remedies = Vec::with_capacity(shortlist.len());
        for r in &shortlist {
            let after = r.candidate.after(&p.port.fitted);
            let worst_of = self.spots.worst_of(&after, p.port.peak_a());
            let chance =
                self.spots.chance(&p.port, &r.candidate, &worst_of, DRAWS, self.sigma_db, p.options.common_share);
            remedies.push((chance, r));
        }
        remedies.sort_by(|a, b| order(a, b, p.wanted_probability));
        let mut kept: Vec<&(f64, &Rated)> = Vec::new();
        for r in &remedies {
            // Two of a shape are enough to choose from.
            let same = kept.iter().filter(|k| k.1.candidate.topology == r.1.candidate.topology).count();
            if same < 2 && kept.len() < p.most {
                kept.push(r);
            }
        }
        let remedies =
            kept.into_iter().map(|(_, r)| self.finish(&r.candidate, DRAWS)).collect::<Result<Vec<_>, _>>()?;
        Ok(Found { remedies, tried, forbidden, now: self.now.clone(), notes: self.notes() })
    }

    fn rate_all(&self, allowed: Vec<(Candidate, Figures)>) -> Vec<Rated> {
        let threads = std::thread::available_parallelism().map_or(1, usize::from).min(16);
        let each = allowed.len().div_ceil(threads).max(1);
        let rate = |list: &[(Candidate, Figures)]| -> Vec<Rated> {
            list.iter()
                .map(|(candidate, figures)| {
                    let after = candidate.after(&self.problem.port.fitted);
                    let (_, worst_db, chance) = self.spots.rate(&after, self.problem.port.peak_a(), self.sigma_db);
                    Rated { candidate: candidate.clone(), figures: figures.clone(), worst_db, chance }
                })
                .collect()
        };
        if threads == 1 {
            return rate(&allowed);
        }
        std::thread::scope(|scope| {
            let handles: Vec<_> = allowed.chunks(each).map(|chunk| scope.spawn(move || rate(chunk))).collect();
            handles.into_iter().flat_map(|h| h.join().unwrap_or_else(|e| std::panic::resume_unwind(e))).collect()
        })
    }

    fn notes(&self) -> Vec<String> {
        let m = &self.problem.measured;
        let mut notes = Vec::new();
        if m.knowledge == ModeKnowledge::Unknown && m.common_current.is_none() {
            notes.push(
                "Amplitudes alone do not tell common from differential mode: every phase between the conductors is reckoned \
                 with. A current clamp round both conductors at the frequency of the excess settles it, and often makes a \
                 smaller remedy enough."
                    .to_owned(),
            );
        }
        if m.second.is_none() && m.knowledge == ModeKnowledge::Unknown {
            notes.push(
                "The other conductor was not measured in this state: it is taken to be as strong as this one. Measure it too."
                    .to_owned(),
            );
        }
        if !self.problem.port.described {
            notes.push(
                "Nothing is said of the filter that is fitted, so the source behind the terminals may be anything from a \
                 capacitor to a choke, and the worst is reported. Describe it in filters/PORT.toml: the ranking becomes \
                 sharper, and parts can be exchanged."
                    .to_owned(),
            );
        }
        notes.push(
            "Lines that come in from the mains (transmitters) and the receiver's own noise are not changed by a filter; where \
             they stand out, the predicted trace is too low."
                .to_owned(),
        );
        notes
    }

    fn finish(&self, candidate: &Candidate, draws: usize) -> Result<Remedy, RemedyError> {
        let p = &self.problem;
        let after = candidate.after(&p.port.fitted);
        let new = candidate.new_stages(&p.port.fitted);
        let f = figures(&after, &new, &p.supply, p.bounds.rule()?);
        let side = |second: bool| predict(&p.measured, &p.port, &self.before, &after, second);
        let predicted = side(false).ok_or_else(|| RemedyError::Traces("nothing to predict from".to_owned()))?;
        let predicted_second = side(true);
        let limits: Vec<&Limit> = p.limits.iter().collect();
        let mut margin = (f64::INFINITY, f64::NAN);
        let mut worst = (f64::INFINITY, f64::NAN);
        for pair in std::iter::once(&predicted).chain(&predicted_second) {
            for (trace, low) in [(&pair.expected, &mut margin), (&pair.worst, &mut worst)] {
                let v = judge(trace, &limits, &p.options)?;
                if v.worst_margin_db < low.0 {
                    *low = (v.worst_margin_db, v.worst_frequency_hz);
                }
            }
        }
        let worst_of = self.spots.worst_of(&after, p.port.peak_a());
        let probability =
            self.spots.chance(&p.port, candidate, &worst_of, draws, self.sigma_db, p.options.common_share);
        let excess_hz = self.now.worst_frequency_hz;
        let mut warnings = part_warnings(&new, &p.supply, excess_hz);
        let loss = self.loss_at(&after, excess_hz);
        warnings.extend(filter_warnings(&p.port, &after, loss, &p.converters_hz, p.range_hz()));
        let stability = p.converter_w.map(|w| stability(&p.port, &after, &p.supply, w));
        if let Some(s) = stability.filter(|s| s.margin_db < 6.0) {
            warnings.push(Warning::new(
                WarningKind::Stability,
                format!(
                    "The filter shows up to {:.0} Ω at {} and the converter −{:.0} Ω: a margin of {:.1} dB (6 dB wanted; a \
                     damping resistor with a capacitor beside the X capacitor raises it).",
                    s.filter_peak_ohm,
                    hz(s.peak_hz),
                    s.negative_ohm,
                    s.margin_db
                ),
            ));
        }
        warnings.extend(safety_warnings(&f, &new, p));
        if probability < 0.95 && margin.0 > 0.0 && worst.0 < 0.0 {
            warnings.push(Warning::new(
                WarningKind::Open,
                format!(
                    "Expected to pass by {:.1} dB, but in the worst case of mode and source it misses by {:.1} dB at {}.",
                    margin.0,
                    -worst.0,
                    hz(worst.1)
                ),
            ));
        }
        let parts = parts_of(candidate, &p.port.fitted);
        Ok(Remedy {
            name: name_of(candidate, &parts),
            topology: candidate.topology,
            parts,
            changes: candidate.changes.clone(),
            margin_db: margin.0,
            margin_frequency_hz: margin.1,
            worst_margin_db: worst.0,
            worst_margin_frequency_hz: worst.1,
            probability,
            enough: probability >= p.wanted_probability,
            figures: f,
            fit: candidate.fit(),
            stability,
            warnings,
            predicted,
            predicted_second,
        })
    }

    /// Smallest loss over modes and sources at a frequency, dB.
    fn loss_at(&self, after: &[Stage], frequency_hz: f64) -> f64 {
        let port = &self.problem.port;
        let mut least = f64::INFINITY;
        for mode in Mode::BOTH {
            let load = port.load_ohm(mode, frequency_hz);
            let (a, b) = (
                ladder(after, mode, frequency_hz, port.peak_a()),
                ladder(&port.fitted, mode, frequency_hz, port.peak_a()),
            );
            for s in port.sources(mode) {
                let z = s.impedance_ohm(frequency_hz);
                least = least.min(20.0 * (b.transfer(z, load) / a.transfer(z, load)).norm().log10());
            }
        }
        least
    }
}

fn safety_warnings(f: &Figures, new: &[Stage], p: &Problem) -> Vec<Warning> {
    let mut list = Vec::new();
    let touches_earth = new
        .iter()
        .any(|s| s.place == Place::EachLineToEarth || matches!(&s.part.model, Model::InletFilter(f) if f.y.is_some()));
    if touches_earth {
        list.push(Warning::new(
            WarningKind::Safety,
            format!(
                "{:.2} mA to earth at {} V, {} Hz (capacitors at the upper end of their tolerance, one supply conductor open). \
                 Only with a protective earth that is always there; check the limit of the product's safety standard, and have \
                 a change on the mains side judged by someone competent for it.",
                f.earth_current_a * 1e3,
                p.supply.voltage_v,
                p.supply.frequency_hz
            ),
        ));
    }
    let stores_charge = new.iter().any(|s| matches!(s.part.model, Model::Capacitor(_) | Model::InletFilter(_)));
    if !stores_charge {
        return list;
    }
    if let (Some(r), Some(w)) = (f.discharge_ohm, f.discharge_w) {
        list.push(Warning::new(
            WarningKind::Safety,
            format!(
                "Stored charge at the plug: {} between the conductors need a discharge resistor of at most {} ({:.0} mW, two in \
                 series so that one may fail), unless one is fitted.",
                crate::parts::engineering(f.across_f, "F"),
                crate::parts::engineering(r, "Ω"),
                w * 1e3
            ),
        ));
    } else if f.across_f > 0.1e-6 && p.bounds.discharge.is_none() {
        list.push(Warning::new(
            WarningKind::Safety,
            format!(
                "{} between the conductors keep their charge after the plug is drawn: name the product's safety standard, and \
                 the discharge resistor is computed.",
                crate::parts::engineering(f.across_f, "F")
            ),
        ));
    }
    list
}

fn parts_of(candidate: &Candidate, fitted: &[Stage]) -> Vec<PartUse> {
    let mut list: Vec<PartUse> = Vec::new();
    for change in &candidate.changes {
        let (stage, replaces) = match change {
            Change::Add(stage) => (stage.clone(), None),
            Change::Exchange { index, part } => {
                let Some(s) = fitted.get(*index) else { continue };
                (Stage { place: s.place, part: part.clone() }, Some(s.part.id.clone()))
            }
        };
        let pieces = stage.place.pieces();
        let value = stage.part.value_text();
        match list
            .iter_mut()
            .find(|u| u.id == stage.part.id && u.place == stage.place && u.replaces == replaces && u.value == value)
        {
            Some(u) => {
                u.pieces += pieces;
                u.cost_index += f64::from(pieces) * stage.part.cost_index;
                u.volume_mm3 += f64::from(pieces) * stage.part.volume_mm3;
            }
            None => list.push(PartUse {
                id: stage.part.id.clone(),
                name: stage.part.name.clone(),
                value,
                place: stage.place,
                place_words: stage.place.words(),
                pieces,
                replaces,
                cost_index: f64::from(pieces) * stage.part.cost_index,
                volume_mm3: f64::from(pieces) * stage.part.volume_mm3,
            }),
        }
    }
    list
}

fn name_of(candidate: &Candidate, parts: &[PartUse]) -> String {
    let one = |u: &PartUse| {
        let number = if u.pieces > 1 { format!("{} × ", u.pieces) } else { String::new() };
        let what = match &u.replaces {
            Some(old) => format!("{} in place of {old}", u.value),
            None => u.value.clone(),
        };
        let noun = match u.place {
            Place::AcrossLines => "X",
            Place::EachLineToEarth => "Y",
            Place::InEachLine | Place::InOneLine => "inductor",
            Place::BothLines => "",
        };
        if u.place == Place::BothLines && u.replaces.is_none() {
            format!("{number}{} ({})", u.name, u.value)
        } else {
            format!("{noun} {number}{what}").trim().to_owned()
        }
    };
    let list: Vec<String> = parts.iter().map(one).collect();
    let mut name = candidate.topology.name().to_owned();
    if let Some(first) = name.get(..1) {
        name = first.to_uppercase() + &name[1..];
    }
    format!("{name}: {}", list.join(", "))
}

/// Pass probability first: what is enough before what is not; among the enough the cheapest, smallest and easiest, among
/// the rest the likeliest.
fn order(a: &(f64, &Rated), b: &(f64, &Rated), wanted: f64) -> std::cmp::Ordering {
    let enough = |x: &(f64, &Rated)| x.0 >= wanted;
    enough(b)
        .cmp(&enough(a))
        .then_with(|| {
            if enough(a) {
                a.1.figures
                    .cost_index
                    .total_cmp(&b.1.figures.cost_index)
                    .then(a.1.figures.volume_mm3.total_cmp(&b.1.figures.volume_mm3))
                    .then(a.1.candidate.fit().cmp(&b.1.candidate.fit()))
            } else {
                b.0.total_cmp(&a.0).then(a.1.figures.cost_index.total_cmp(&b.1.figures.cost_index))
            }
        })
        .then(b.1.worst_db.total_cmp(&a.1.worst_db))
}

/// Of every shape: the cheapest that look likely, and the likeliest.
fn shortlist(mut rated: Vec<Rated>, wanted: f64) -> Vec<Rated> {
    let mut shapes: Vec<Topology> = rated.iter().map(|r| r.candidate.topology).collect();
    shapes.sort_unstable();
    shapes.dedup();
    let mut kept = Vec::new();
    for shape in shapes {
        let (mut own, rest): (Vec<Rated>, Vec<Rated>) = rated.into_iter().partition(|r| r.candidate.topology == shape);
        rated = rest;
        own.sort_by(|a, b| a.figures.cost_index.total_cmp(&b.figures.cost_index).then(b.chance.total_cmp(&a.chance)));
        // The estimate is rough on both sides of what is wanted: a few from each step of confidence.
        let mut taken: Vec<usize> = Vec::new();
        for level in [0.5 * wanted, 0.9 * wanted, wanted, 0.5 + wanted / 2.0] {
            taken.extend(own.iter().enumerate().filter(|(_, r)| r.chance >= level).map(|(i, _)| i).take(2));
        }
        let best = (0..own.len())
            .max_by(|&a, &b| own[a].chance.total_cmp(&own[b].chance).then(own[a].worst_db.total_cmp(&own[b].worst_db)));
        taken.extend(best);
        taken.sort_unstable();
        taken.dedup();
        let mut k = 0;
        own.retain(|_| {
            k += 1;
            taken.contains(&(k - 1))
        });
        kept.append(&mut own);
    }
    kept
}

/// Searches remedies for a problem.
pub fn search(problem: Problem) -> Result<Found, RemedyError> {
    Bench::new(problem)?.search()
}
