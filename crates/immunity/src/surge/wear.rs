//! Wear of a part over a sequence of pulses, its temperature, the rest it needs, and the order that shows trouble early.

use serde::Serialize;

use super::{Coupling, Part, PartKind, Pulse, Stress, SurgeError, input, stress};

/// Charge over peak of an 8/20 µs current (integral of the wave over its peak).
const EQUIVALENT_8_20_S: f64 = 17.46e-6;
/// Exponent of current against number of pulses where the part's curve has one point only: of a small disc, read in a maker's
/// brochure; larger discs fall more slowly.
const STEEP: f64 = 0.6;
/// The interval laboratories are used to, s.
const MINUTE_S: f64 = 60.0;

/// Equal pulses one after the other.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Group {
    /// The pulse.
    pub pulse: Pulse,
    /// How many.
    pub count: u32,
    /// Time from one to the next, s.
    pub rest_s: f64,
}

/// What a group does.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct GroupWear {
    /// Open-circuit level, V.
    pub level_v: f64,
    /// Coupling.
    pub coupling: Coupling,
    /// Pulses.
    pub count: u32,
    /// Stress of one.
    pub stress: Stress,
    /// Current of 8/20 µs that wears as much, A.
    pub equivalent_8_20_a: f64,
    /// Pulses of this kind that the part bears, none where it has no curve.
    pub bears: Option<f64>,
    /// Share of the part's life that the group takes.
    pub share_of_life: Option<f64>,
    /// Rise of the temperature from one pulse, K.
    pub rise_per_pulse_k: Option<f64>,
    /// Rise over the surroundings right after the last pulse of the group, K.
    pub rise_after_k: Option<f64>,
    /// Mean power, W.
    pub mean_power_w: f64,
    /// Shortest time between pulses that keeps temperature and mean power allowed, s.
    pub needed_rest_s: Option<f64>,
}

/// What a sequence does.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct SequenceWear {
    /// Each group, in the order given.
    pub groups: Vec<GroupWear>,
    /// Share of life used before and after.
    pub share_of_life: Option<f64>,
    /// The part bears the sequence.
    pub bears: bool,
    /// Time it takes, s.
    pub duration_s: f64,
    /// What is wrong or should be known, worst first.
    pub warnings: Vec<String>,
}

impl Part {
    /// Pulses of an 8/20 µs current that the part bears: straight lines of the logarithms through its curve, carried on with
    /// the last slope.
    pub fn bears(&self, current_a: f64) -> Option<f64> {
        let first = self.life.first()?;
        if current_a > first.current_a {
            return Some(0.0);
        }
        let between = |n0: f64, i0: f64, slope: f64| n0 * (i0 / current_a).powf(1.0 / slope);
        for w in self.life.windows(2) {
            if current_a >= w[1].current_a {
                let slope = (w[0].current_a / w[1].current_a).ln() / (w[1].pulses / w[0].pulses).ln();
                return Some(between(w[0].pulses, w[0].current_a, slope));
            }
        }
        let last = self.life.last()?;
        let slope = match self.life.len() {
            1 => STEEP,
            n => {
                let before = &self.life[n - 2];
                (before.current_a / last.current_a).ln() / (last.pulses / before.pulses).ln()
            }
        };
        Some(between(last.pulses, last.current_a, slope))
    }
}

/// The current of 8/20 µs that wears as much: the same where the pulse is no longer, and more by the ratio of the lengths
/// where it is (equal charge, and so about equal heat at a constant clamping voltage).
fn equivalent(stress: &Stress) -> f64 {
    stress.peak_a * (stress.equivalent_s / EQUIVALENT_8_20_S).max(1.0)
}

/// Shortest time between pulses of an energy so that the part stays below its temperature and mean power, s.
pub fn needed_rest_s(part: &Part, energy_j: f64, ambient_c: f64) -> Option<f64> {
    let power = part.mean_power_w.map(|p| energy_j / p);
    let heat = match (part.heat_capacity_j_per_k, part.cooling_s(), part.max_temperature_c) {
        (Some(c), Some(tau), Some(max)) => {
            let step = energy_j / c;
            let room = max - ambient_c;
            // Steady rise right after a pulse: step/(1 − exp(−T/tau)).
            if step >= room { Some(f64::INFINITY) } else { Some(-tau * (1.0 - step / room).ln()) }
        }
        _ => None,
    };
    match (power, heat) {
        (Some(a), Some(b)) => Some(a.max(b)),
        (a, b) => a.or(b),
    }
}

/// What a sequence does to a part of which `used` (0 to 1) of the life is gone.
///
/// # Errors
/// Values that make no sense, or a circuit that cannot be solved.
pub fn sequence(part: &Part, groups: &[Group], ambient_c: f64, used: f64) -> Result<SequenceWear, SurgeError> {
    if groups.is_empty() {
        return input("sequence", "empty", "at least one group of pulses");
    }
    if !(used.is_finite() && used >= 0.0 && ambient_c.is_finite()) {
        return input("used", used, "a share from 0 to 1, and a temperature");
    }
    let mut out = Vec::with_capacity(groups.len());
    let mut warnings = Vec::new();
    let mut total = Some(used);
    let mut temperature = 0.0;
    let mut duration_s = 0.0;
    let mut bears = true;
    for g in groups {
        if !(g.rest_s.is_finite() && g.rest_s > 0.0) || g.count == 0 {
            return input(
                "rest or count",
                format!("{} s, {} pulses", g.rest_s, g.count),
                "a time above zero and at least one pulse",
            );
        }
        let s = stress(&g.pulse, part)?;
        let n = f64::from(g.count);
        let name = format!("{:.0} V {}", g.pulse.level_v, g.pulse.coupling.name());
        let same = equivalent(&s);
        let allowed = part.bears(same);
        let share = allowed.map(|a| if a > 0.0 { n / a } else { f64::INFINITY });
        total = total.zip(share).map(|(t, s)| t + s);
        let step = part.heat_capacity_j_per_k.map(|c| s.energy_j / c);
        let after = step.zip(part.cooling_s()).map(|(step, tau)| {
            let keep = (-g.rest_s / tau).exp();
            for _ in 0..g.count {
                temperature = temperature * keep + step;
            }
            temperature
        });
        let mean = s.energy_j / g.rest_s;
        let needed = needed_rest_s(part, s.energy_j, ambient_c);
        if allowed == Some(0.0) {
            bears = false;
            warnings.push(format!(
                "{name}: {same:.0} A is above the part's rating for a single pulse: it may burst at the first one."
            ));
        }
        if let Some(max) = part.max_energy_j.filter(|m| s.energy_j > *m) {
            bears = false;
            warnings.push(format!("{name}: {:.2} J in one pulse, rated {max} J.", s.energy_j));
        }
        if let PartKind::Tvs { pulse_power_w, .. } = part.kind {
            // Pulse power of a diode falls with the root of the length; half-value width of an exponential tail is ln 2 of its charge.
            let half = 0.7 * s.equivalent_s;
            let rated = pulse_power_w * (1e-3 / half.max(1e-9)).sqrt();
            if s.peak_w > rated {
                bears = false;
                warnings.push(format!(
                    "{name}: {:.0} W, and the diode bears {rated:.0} W for {:.1} µs: it fails short.",
                    s.peak_w,
                    half * 1e6
                ));
            } else if s.peak_w > 0.8 * rated {
                warnings.push(format!("{name}: {:.0} % of the pulse power the diode bears.", 100.0 * s.peak_w / rated));
            }
        }
        if let (Some(t), Some(max)) = (after, part.max_temperature_c)
            && ambient_c + t > max
        {
            bears = false;
            warnings
                .push(format!("{name}: {:.0} °C after the last pulse, allowed {max} °C: it runs away.", ambient_c + t));
        }
        if let Some(p) = part.mean_power_w.filter(|p| mean > *p) {
            bears = false;
            warnings.push(format!("{name}: {mean:.2} W on average, rated {p} W.").replace("  ", " "));
        }
        if let Some(r) = needed.filter(|r| r.is_finite() && *r > g.rest_s) {
            warnings.push(format!("{name}: a pulse every {:.0} s, and the part needs {r:.0} s.", g.rest_s));
        }
        duration_s += n * g.rest_s;
        out.push(GroupWear {
            level_v: g.pulse.level_v,
            coupling: g.pulse.coupling,
            count: g.count,
            equivalent_8_20_a: same,
            bears: allowed,
            share_of_life: share,
            rise_per_pulse_k: step,
            rise_after_k: after,
            mean_power_w: mean,
            needed_rest_s: needed,
            stress: s,
        });
    }
    match total {
        Some(t) if t >= 1.0 => {
            bears = false;
            warnings.insert(
                0,
                format!(
                    "The sequence takes {:.0} % of the part's life{}: it wears out during the test.",
                    100.0 * t,
                    if used > 0.0 { " with what was used before" } else { "" }
                ),
            );
        }
        Some(t) if t >= 0.5 => {
            warnings.insert(
                0,
                format!(
                    "The sequence takes {:.0} % of the part's life: take a fresh part, and count trial runs.",
                    100.0 * t
                ),
            );
        }
        Some(_) => {}
        None => warnings.push(
            "The part has no curve of current against number of pulses: its wear is not known. Give life.".into(),
        ),
    }
    match part.kind {
        PartKind::Varistor { .. } => {
            if part.life.len() == 1 {
                warnings.push(format!("Only a single-pulse rating: the number borne at lower currents is taken with an exponent of {STEEP} (a small disc; larger ones fall more slowly)."));
            }
            warnings.push("A worn varistor shorts, cracks or burns: thermal disconnection touching it, a fuse rated for the surge, a cover between you and it.".into());
        }
        PartKind::Arrestor { .. } => warnings.push(
            "An arrestor across the mains keeps burning after the surge (follow current): never line to line without a varistor in series, and never on a DC supply above its arc voltage.".into(),
        ),
        PartKind::Tvs { .. } => {}
    }
    let rests =
        groups.iter().zip(&out).filter(|(g, w)| w.needed_rest_s.is_some_and(|r| r < g.rest_s && g.rest_s >= MINUTE_S));
    if let Some((_, w)) =
        rests.min_by(|a, b| b.1.needed_rest_s.unwrap_or(0.0).total_cmp(&a.1.needed_rest_s.unwrap_or(0.0)))
        && let Some(r) = w.needed_rest_s
    {
        warnings.push(format!(
            "The part itself needs {r:.0} s between pulses. The standard's interval is 1 min or less; faster pulsing that fails may be repeated at one a minute (first half read, second from memory)."
        ));
    }
    Ok(SequenceWear { groups: out, share_of_life: total, bears, duration_s, warnings })
}

/// The order that shows trouble early and spends the part late: by energy of a pulse, then by the share of life. Gives the
/// indices of the groups.
pub fn propose_order(wear: &SequenceWear) -> Vec<usize> {
    let mut order: Vec<usize> = (0..wear.groups.len()).collect();
    order.sort_by(|a, b| {
        let (a, b) = (&wear.groups[*a], &wear.groups[*b]);
        a.stress
            .energy_j
            .total_cmp(&b.stress.energy_j)
            .then(a.share_of_life.unwrap_or(0.0).total_cmp(&b.share_of_life.unwrap_or(0.0)))
    });
    order
}
