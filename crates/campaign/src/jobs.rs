//! From the plan's tests to jobs: what is done on one rig at one port in one go.

use std::collections::{BTreeMap, BTreeSet};

use standards::Phenomenon;

use crate::bring::common_chance;
use crate::days::{PlannedJob, Request};
use crate::duration::{Duration, Pace, duration};
use crate::plan::{Plan, PlannedTest};
use crate::rig::{Laboratory, order_class};

/// Tests put together into jobs, too long ones cut.
pub(crate) fn jobs_of(
    plan: &Plan,
    pace: &Pace,
    laboratory: &Laboratory,
    request: &Request,
    earthed: bool,
    phases: u8,
) -> (Vec<PlannedJob>, Vec<String>) {
    let mut no_rig = Vec::new();
    let mut groups: BTreeMap<(usize, String, Phenomenon), Vec<&PlannedTest>> = BTreeMap::new();
    for test in &plan.tests {
        // Dips and interruptions of a port are one sitting.
        let phenomenon =
            if test.phenomenon == Phenomenon::ShortInterruption { Phenomenon::VoltageDip } else { test.phenomenon };
        match laboratory.rig_of(test.phenomenon) {
            Some(rig) => groups.entry((rig, test.port.clone(), phenomenon)).or_default().push(test),
            None => no_rig.push(test.id.clone()),
        }
    }
    let mut jobs = Vec::new();
    for ((rig, port, phenomenon), tests) in groups {
        let mut total = Duration::default();
        let mut methods = BTreeSet::new();
        for test in &tests {
            let d = duration(test, pace, earthed, phases);
            total.total_s += d.total_s;
            total.parts.extend(d.parts);
            methods.insert(test.method.as_str());
        }
        let known =
            tests.iter().filter_map(|t| request.chances.get(&t.id)).copied().reduce(|a, b| 1.0 - (1.0 - a) * (1.0 - b));
        let rig = &laboratory.rigs[rig];
        let most = f64::from(laboratory.capacity_min().saturating_sub(rig.setup_min).max(1)) * 60.0;
        let pieces = (total.total_s / most).ceil().max(1.0);
        let destroys = order_class(phenomenon) >= 2;
        for piece in 0..pieces as u32 {
            let mut duration = total.clone();
            if pieces > 1.0 {
                duration.total_s /= pieces;
                for part in &mut duration.parts {
                    part.count /= pieces;
                }
            }
            let suffix = if pieces > 1.0 { format!(" ({} of {pieces})", piece + 1) } else { String::new() };
            let whole = known.unwrap_or(common_chance(phenomenon));
            jobs.push(PlannedJob {
                id: format!(
                    "{port}-{}{}",
                    key(phenomenon),
                    if pieces > 1.0 { format!("-{}", piece + 1) } else { String::new() }
                ),
                title: format!(
                    "{}, {} ({}){suffix}",
                    first_upper(phenomenon.name()),
                    tests[0].port_name,
                    methods.iter().copied().collect::<Vec<_>>().join(", ")
                ),
                tests: tests.iter().map(|t| t.id.clone()).collect(),
                rig: rig.id.clone(),
                port_name: tests[0].port_name.clone(),
                phenomenon,
                duration,
                // One piece has the chance as it is, to the last digit.
                fails: if pieces > 1.0 { 1.0 - (1.0 - whole).powf(1.0 / pieces) } else { whole },
                fails_from: if known.is_some() {
                    "this product's own runs"
                } else {
                    "common practice for a first visit"
                },
                sample: if request.second_sample && destroys { 2 } else { 1 },
            });
        }
    }
    (jobs, no_rig)
}

fn key(phenomenon: Phenomenon) -> &'static str {
    match phenomenon {
        Phenomenon::ConductedDisturbance => "conducted",
        Phenomenon::DisturbancePower => "power",
        Phenomenon::RadiatedDisturbance => "radiated",
        Phenomenon::HarmonicCurrent => "harmonics",
        Phenomenon::VoltageChangeFlicker => "flicker",
        Phenomenon::RfField => "rf-field",
        Phenomenon::ConductedRf => "conducted-rf",
        Phenomenon::PowerFrequencyMagneticField => "magnetic",
        Phenomenon::VoltageDip | Phenomenon::ShortInterruption => "dips",
        Phenomenon::SupplyVoltageVariation => "variation",
        Phenomenon::Burst => "burst",
        Phenomenon::ElectrostaticDischarge => "discharge",
        Phenomenon::Surge => "surge",
        Phenomenon::RingWave => "ring-wave",
        Phenomenon::DampedWave => "damped-wave",
        Phenomenon::ProximityField => "proximity",
    }
}

fn first_upper(text: &str) -> String {
    let mut chars = text.chars();
    chars.next().map_or_else(String::new, |c| c.to_uppercase().chain(chars).collect())
}
