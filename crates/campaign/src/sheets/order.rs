//! The order that saves the only sample, and what the planned surges do to the protection parts.

use immunity::sheet::SurgeGroup;
use immunity::surge::{Coupling, Pulse, SequenceWear, sequence, stress};
use serde::Serialize;
use standards::Phenomenon;

use super::{Protector, RunSheet, SheetFacts, SheetsError, wear_of};
use crate::duration::Pace;
use crate::plan::PlannedTest;

/// Surroundings of a protection part while it is pulsed, °C (common practice).
const AMBIENT_C: f64 = 25.0;
/// Pulses of each sign at each angle.
const PULSES: u32 = 5;

/// Pulses of one path at one level, with their coupling.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Group {
    pub group: SurgeGroup,
    pub coupling: Coupling,
    pub to_earth: bool,
}

impl Group {
    fn pulse(&self) -> Pulse {
        Pulse::new(self.group.kv * 1e3, self.coupling)
    }

    /// Short-circuit current, A: how hard the path is where no part is known.
    fn current_a(&self) -> f64 {
        self.group.kv * 1e3 / self.coupling.effective_ohm()
    }
}

/// What the planned surges do to one protection part.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Wear {
    /// The part.
    pub part: String,
    /// Id of the port.
    pub port: String,
    /// Name of the port.
    pub port_name: String,
    /// Group by group in the order of the sheet.
    pub sequence: SequenceWear,
}

/// The groups of a port, the least stressing first. Where a protection part of the path is known, by the energy of a pulse in
/// it; else by the short-circuit current. A path never gets a level before its lower ones.
pub(super) fn in_order(
    test: &PlannedTest,
    mut groups: Vec<Group>,
    pace: &Pace,
    facts: &SheetFacts,
) -> Result<(Vec<SurgeGroup>, Vec<Wear>), SheetsError> {
    // A ring wave comes from 12 or 30 ohm whatever its path; the circuit of the surge generator does not speak of it.
    let surge = test.phenomenon == Phenomenon::Surge;
    let of = |g: &Group| -> Option<&Protector> {
        facts.protectors.iter().find(|p| surge && p.port == test.port && p.to_earth == g.to_earth)
    };
    let known = !groups.is_empty() && groups.iter().all(|g| of(g).is_some());
    let mut weights = Vec::with_capacity(groups.len());
    for g in &groups {
        weights.push(match of(g).filter(|_| known) {
            Some(p) => {
                let fault = |e| SheetsError::Surge { part: p.name.clone(), source: Box::new(e) };
                stress(&g.pulse(), &p.part).map_err(fault)?.energy_j
            }
            None if surge => g.current_a(),
            None => g.group.kv,
        });
    }
    let mut order: Vec<usize> = (0..groups.len()).collect();
    order.sort_by(|a, b| {
        weights[*a].total_cmp(&weights[*b]).then(groups[*a].group.kv.total_cmp(&groups[*b].group.kv)).then(a.cmp(b))
    });
    groups = order.into_iter().map(|k| groups[k].clone()).collect();
    if let Some(first) = groups.first_mut() {
        first.group.change_s = Some(pace.port_change_s);
    }
    let mut wear = Vec::new();
    for p in facts.protectors.iter().filter(|p| surge && p.port == test.port) {
        let mut asked: Vec<immunity::surge::Group> = Vec::new();
        for g in groups.iter().filter(|g| g.to_earth == p.to_earth) {
            // Which wire of several is pulsed is not told apart: each has a part of its own. The worst place of the sequence is one
            // path, so only the first path of a level counts for one part.
            let count = PULSES * g.group.shots.len() as u32;
            let pulse = g.pulse();
            if !asked.iter().any(|a| a.pulse == pulse) {
                asked.push(immunity::surge::Group { pulse, count, rest_s: pace.surge_rest_s });
            }
        }
        if !asked.is_empty() {
            let fault = |e| SheetsError::Surge { part: p.name.clone(), source: Box::new(e) };
            let found = sequence(&p.part, &asked, AMBIENT_C, 0.0).map_err(fault)?;
            wear.push(wear_of(p, &test.port_name, found));
        }
    }
    Ok((groups.into_iter().map(|g| g.group).collect(), wear))
}

/// The sheets in order on one sample.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct SampleOrder {
    /// Test, title, why there, time, s.
    pub places: Vec<SamplePlace>,
    /// What would be worn out or broken, before it happens.
    pub warnings: Vec<String>,
    /// Rest that the protection parts really need between surges, s: the longest of all groups; none where no part says.
    pub needed_rest_s: Option<f64>,
    /// What to do between the places.
    pub between: Vec<String>,
}

/// One place in the order.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct SamplePlace {
    /// The sheet.
    pub test: String,
    /// For people.
    pub title: String,
    /// Why there.
    pub why: String,
    /// How long, s.
    pub duration_s: f64,
    /// It may break the sample.
    pub may_break: bool,
}

/// The order that saves the only sample, with the warnings that come before a sequence that would wear a part out.
pub fn sample_order(sheets: &[RunSheet]) -> SampleOrder {
    let mut warnings = Vec::new();
    let mut needed: Option<f64> = None;
    let mut surges = false;
    for s in sheets {
        surges |= s.test == "surge";
        for w in &s.wear {
            for line in &w.sequence.warnings {
                warnings.push(format!("{} at {}: {line}", w.part, w.port_name));
            }
            for g in &w.sequence.groups {
                if let Some(r) = g.needed_rest_s {
                    needed = Some(needed.map_or(r, |n| n.max(r)));
                }
            }
        }
        if s.test == "surge" && s.wear.is_empty() {
            warnings.push(format!(
                "{} surges are a life test for every protection part; none is described in product.toml ([[protectors]]), so its wear \
                 is not known. Take fresh parts, and spares.",
                s.sheet.count
            ));
        }
    }
    let places = sheets
        .iter()
        .map(|s| SamplePlace {
            test: s.test.clone(),
            title: s.title.clone(),
            why: s.why_there.clone(),
            duration_s: s.duration_s,
            may_break: matches!(s.test.as_str(), "burst" | "damped-wave" | "ring-wave" | "esd" | "surge"),
        })
        .collect();
    let mut between = vec![
        "Emission is measured before all of these: a part that a surge or a discharge hurt changes it.".to_owned(),
        "After each place a full check of the function against the one made before the first.".to_owned(),
        "A change made to cure a later test puts earlier ones in doubt that it can touch: a filter capacitor moves bursts and radio \
         frequency."
            .to_owned(),
        "With a second sample of the same build, static discharge and surges go to it.".to_owned(),
    ];
    if surges {
        between.push(
            "After the surges: earth current and insulation checked by somebody licensed for it, varistors looked at, before the \
             product is touched or used again."
                .to_owned(),
        );
    }
    SampleOrder { places, warnings, needed_rest_s: needed, between }
}
