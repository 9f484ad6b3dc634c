//! What speaks for and against each way out: modes on the mains, clamp readings held against the field, resonances.

use serde::{Deserialize, Serialize};

use super::{CaseEvidence, CaseProduct, Path};
use crate::cable_field::field_of_cable;
use crate::hertz;
use crate::mode::{Mode, bounds, with_clamp};
use crate::resonance::{Resonance, Resonator};

/// A clamp's reading on a cable.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct ClampReading {
    /// The cable.
    pub cable: String,
    /// Total current, dBµA.
    pub current_dbua: f64,
    /// Length of the cable, m, where it is known.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub length_m: Option<f64>,
}

/// Readings on both conductors of a mains port, one after the other.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Conductors {
    /// On the line, dBµV.
    pub line_dbuv: f64,
    /// On the neutral, dBµV.
    pub neutral_dbuv: f64,
}

/// The field of the emission.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct FieldReading {
    /// Level, dBµV/m.
    pub level_dbuv_per_m: f64,
    /// Distance of the antenna, m.
    pub distance_m: f64,
}

/// Probabilities of common, differential and mixed on the mains port for a way out (common practice; a mismatch of the two
/// channels or unequal impedances mix the modes).
fn mode_probability(mode: Mode, path: &Path, on_mains: bool) -> f64 {
    let row = match path {
        Path::Cable(_) if on_mains => [0.75, 0.08, 0.17],
        Path::Cable(_) => [0.62, 0.13, 0.25],
        Path::MainsDifferential => [0.07, 0.78, 0.15],
        Path::Direct => [0.5, 0.2, 0.3],
        Path::Outside => [0.7, 0.1, 0.2],
    };
    match mode {
        Mode::Common => row[0],
        Mode::Differential => row[1],
        Mode::Both => row[2],
    }
}

/// Spread of the field about the estimate from the clamp: the band of −12 to +6 dB as about two standard deviations each way.
const FIELD_DEVIATION_DB: f64 = 4.5;
const FIELD_SHIFT_DB: f64 = -3.0;
/// Where another way makes the field, it lies anywhere over so many decibels against what the clamp lets expect.
const FIELD_ANYWHERE_DB: f64 = 50.0;

impl CaseEvidence {
    /// The mode on the mains conductors: settled by a measurement of both at once, or by line, neutral and a clamp.
    pub(super) fn settled_mode(&self, product: &CaseProduct) -> Option<(Mode, String)> {
        if let Some(mode) = self.mode {
            let text = match mode {
                Mode::Common => "On the mains it is common mode.",
                Mode::Differential => "On the mains it is differential mode.",
                Mode::Both => "On the mains both modes are alike within 3 dB.",
            };
            return Some((mode, text.to_owned()));
        }
        let both = self.conductors?;
        let clamp = self.clamps.iter().find(|c| product.mains_cable.as_ref() == Some(&c.cable))?;
        let m = with_clamp(both.line_dbuv, both.neutral_dbuv, clamp.current_dbua)?;
        Some((
            m.mode,
            format!(
                "Line {:.1} dBµV, neutral {:.1} dBµV and {:.1} dBµA in the clamp round both: common mode {:.1} dBµV (25 Ω times \
                 the current), differential mode {:.1} dBµV.",
                both.line_dbuv, both.neutral_dbuv, clamp.current_dbua, m.common_dbuv, m.differential_dbuv
            ),
        ))
    }

    /// What was read and decides nothing, with the reason.
    pub(super) fn undecided(&self, product: &CaseProduct) -> Vec<String> {
        let mut remarks = Vec::new();
        if let Some(c) = self.conductors.filter(|_| self.settled_mode(product).is_none()) {
            let b = bounds(c.line_dbuv, c.neutral_dbuv);
            let least = if b.least_dbuv.is_finite() && b.least_dbuv > 0.0 {
                format!("each mode lies between {:.1} and {:.1} dBµV", b.least_dbuv, b.most_dbuv)
            } else {
                format!("neither mode is above {:.1} dBµV", b.most_dbuv)
            };
            remarks.push(format!(
                "Line reads {:.1} dBµV and neutral {:.1} dBµV: {least}. Readings taken one after the other cannot tell which \
                 mode is which; a clamp round both conductors can.",
                c.line_dbuv, c.neutral_dbuv
            ));
        }
        for clamp in self.clamps.iter().filter(|_| self.field.is_none()) {
            remarks.push(format!(
                "The clamp reads {:.1} dBµA on “{}”; without the field beside it this says little of the way out.",
                clamp.current_dbua, clamp.cable
            ));
        }
        remarks
    }

    /// The logarithm of the probability of each observation for every way out.
    pub(super) fn weigh_paths(&self, paths: &[Path], product: &CaseProduct) -> Vec<(String, Vec<f64>)> {
        let mut said = Vec::new();
        let is_cable = |p: &Path, name: &String| matches!(p, Path::Cable(c) if c == name);
        if let Some((mode, text)) = self.settled_mode(product) {
            let ln = |p: &Path| {
                let on_mains = matches!(p, Path::Cable(c) if product.mains_cable.as_ref() == Some(c));
                mode_probability(mode, p, on_mains).ln()
            };
            said.push((text, paths.iter().map(ln).collect()));
        }
        for near in &self.resonances {
            // A resonance lifts what leaves by it by 6 to 10 dB, but an emission need not have been lifted.
            let (text, lifted): (String, Box<dyn Fn(&Path) -> bool>) = match &near.resonator {
                Resonator::Cable { name, quarter_waves } => (
                    format!(
                        "At {} the cable “{name}” is near {quarter_waves}/4 wave ({}).",
                        hertz(self.frequency_hz),
                        range(near)
                    ),
                    Box::new(move |p| is_cable(p, name)),
                ),
                Resonator::Slot { length_m } => (
                    format!(
                        "At {} a slot of {:.0} mm is near half a wave ({}).",
                        hertz(self.frequency_hz),
                        1e3 * length_m,
                        range(near)
                    ),
                    Box::new(|p| *p == Path::Direct),
                ),
                Resonator::Enclosure { mode } => (
                    format!(
                        "At {} the inside of the housing resonates in mode {}{}{} ({}).",
                        hertz(self.frequency_hz),
                        mode[0],
                        mode[1],
                        mode[2],
                        range(near)
                    ),
                    Box::new(|p| *p == Path::Direct),
                ),
            };
            said.push((text, paths.iter().map(|p| if lifted(p) { 2f64.ln() } else { 0.0 }).collect()));
        }
        if let Some(field) = self.field {
            for clamp in &self.clamps {
                let Some(length_m) = clamp.length_m else { continue };
                said.push(self.weigh_clamp(clamp, length_m, field, paths));
            }
        }
        said
    }

    /// One clamp reading against the field.
    fn weigh_clamp(
        &self,
        clamp: &ClampReading,
        length_m: f64,
        field: FieldReading,
        paths: &[Path],
    ) -> (String, Vec<f64>) {
        let band = field_of_cable(clamp.current_dbua, self.frequency_hz, length_m, field.distance_m);
        let wider = if band.near_field { 1.5 } else { 1.0 };
        let deviation = FIELD_DEVIATION_DB * wider;
        let x = (field.level_dbuv_per_m - band.estimate_dbuv_per_m - FIELD_SHIFT_DB) / deviation;
        let own = (-0.5 * x * x).exp() / (deviation * std::f64::consts::TAU.sqrt());
        let ratio = (own * FIELD_ANYWHERE_DB).clamp(0.02, 10.0);
        let verdict = if field.level_dbuv_per_m > band.to_dbuv_per_m {
            "too little for the field that was measured"
        } else if field.level_dbuv_per_m < band.from_dbuv_per_m {
            "more than the field that was measured, so the clamp's place is not where the cable radiates"
        } else {
            "as much as was measured"
        };
        let text = format!(
            "{:.1} dBµA on “{}” make {:.0} to {:.0} dBµV/m at {} m; {:.1} dBµV/m were measured: {verdict}.",
            clamp.current_dbua,
            clamp.cable,
            band.from_dbuv_per_m,
            band.to_dbuv_per_m,
            field.distance_m,
            field.level_dbuv_per_m
        );
        let ln = |p: &Path| if matches!(p, Path::Cable(c) if *c == clamp.cable) { ratio.ln() } else { 0.0 };
        (text, paths.iter().map(ln).collect())
    }
}

fn range(r: &Resonance) -> String {
    format!("{} to {}", hertz(r.from_hz), hertz(r.to_hz))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::case::Case;
    use crate::resonance::{cable_resonances, near, slot_resonance};

    fn product() -> CaseProduct {
        CaseProduct::of_sources(&[], vec!["mains".into(), "sensors".into()], Some("mains".into()), 50.0)
    }

    fn evidence(frequency_hz: f64) -> CaseEvidence {
        CaseEvidence { frequency_hz, bandwidth_hz: 9e3, ..CaseEvidence::default() }
    }

    fn probability(case: &Case, path: &Path) -> f64 {
        case.paths().iter().find(|p| p.0 == *path).map_or(0.0, |p| p.1)
    }

    #[test]
    fn line_and_neutral_alone_decide_nothing_and_a_clamp_does() {
        let (mains, between) = (Path::Cable("mains".into()), Path::MainsDifferential);
        let plain = Case::open(&product(), &evidence(1e6));
        let two =
            CaseEvidence { conductors: Some(Conductors { line_dbuv: 60.0, neutral_dbuv: 54.0 }), ..evidence(1e6) };
        let undecided = Case::open(&product(), &two);
        assert!((probability(&plain, &between) - probability(&undecided, &between)).abs() < 1e-12);
        assert!(undecided.remarks.iter().any(|r| r.contains("cannot tell")), "{:?}", undecided.remarks);
        // 22 dBµA in the clamp round both is 50 dBµV of common mode: the rest, 57.2 dBµV, is differential.
        let clamp = ClampReading { cable: "mains".into(), current_dbua: 50.0 - 27.959, length_m: None };
        let settled = Case::open(&product(), &CaseEvidence { clamps: vec![clamp], ..two });
        assert!(probability(&settled, &between) > probability(&plain, &between));
        assert!(probability(&settled, &mains) < probability(&plain, &mains));
    }

    #[test]
    fn a_clamp_reading_that_explains_the_field_points_to_its_cable() {
        let field = Some(FieldReading { level_dbuv_per_m: 40.0, distance_m: 3.0 });
        let case = |current_dbua: f64| {
            let clamp = ClampReading { cable: "sensors".into(), current_dbua, length_m: Some(1.0) };
            Case::open(&product(), &CaseEvidence { field, clamps: vec![clamp], ..evidence(47.75e6) })
        };
        let sensors = Path::Cable("sensors".into());
        // 5 µA on 1 m make 40 dBµV/m at 3 m (Ott's rule): 14 dBµA explain the field, −10 dBµA do not.
        let plain = probability(&Case::open(&product(), &evidence(47.75e6)), &sensors);
        assert!(probability(&case(14.0), &sensors) > 1.3 * plain);
        assert!(probability(&case(-10.0), &sensors) < 0.2 * plain);
        let ranked = case(-10.0).ranked_paths();
        let against = &ranked.iter().find(|p| p.path == sensors).expect("a way").speaks_against;
        assert!(against.iter().any(|s| s.text.contains("too little")), "{against:?}");
    }

    #[test]
    fn a_resonance_speaks_for_its_own_way() {
        let all = cable_resonances("sensors", 1.0, 100e6);
        let resonances: Vec<Resonance> = near(&all, 70e6).into_iter().cloned().collect();
        let case = Case::open(&product(), &CaseEvidence { resonances, ..evidence(70e6) });
        let (sensors, mains) = (Path::Cable("sensors".into()), Path::Cable("mains".into()));
        assert!((probability(&case, &sensors) / probability(&case, &mains) - 2.0).abs() < 1e-9);
        let slot = CaseEvidence { resonances: vec![slot_resonance(0.15)], ..evidence(980e6) };
        assert!(
            probability(&Case::open(&product(), &slot), &Path::Direct)
                > probability(&Case::open(&product(), &evidence(980e6)), &Path::Direct)
        );
    }
}
