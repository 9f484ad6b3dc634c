//! What would have to change: the edge that brings a multiple under the limit, the current a cable may carry.

use std::collections::BTreeSet;
use std::path::Path;

use cause::cable_field::field_of_cable;
use cause::trapezoid::{EdgeAdvice, Ringing, edge_needed, fit_ringing, parasitics, ringing_inductance_h};
use emission::Trace;
use project::Project;
use quantity::Unit;
use serde::Serialize;
use standards::{Detector, Limit, Port};

use crate::evaluate::limits_of;
use crate::why::Why;
use crate::{OnStage, WorkError, evaluate};

/// What slower edges would do to one multiple that is too high.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct MultipleEdge {
    /// The multiple.
    pub multiple: u32,
    /// Its frequency, Hz.
    pub frequency_hz: f64,
    /// Smallest margin over the limits there, dB.
    pub margin_db: f64,
    /// The limit of that margin.
    pub limit: String,
    /// By how much it must fall, with what is to stay in hand, dB.
    pub reduction_db: f64,
    /// Rise time that does it, 10 to 90 %, s.
    pub rise_time_s: f64,
    /// Share of the period that one edge then takes, 0 to 100 %.
    pub share_of_period: f64,
    /// True where one edge would take more than a tenth of the period: another remedy is needed.
    pub too_slow: bool,
}

/// The edge a source would need.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct SourceEdge {
    /// The source.
    pub source: String,
    /// Its fundamental as measured, Hz.
    pub fundamental_hz: f64,
    /// Its rise time now, 10 to 90 %, s; none where the product's description does not say it.
    pub rise_time_s: Option<f64>,
    /// The multiples that are too high, by frequency.
    pub multiples: Vec<MultipleEdge>,
    /// In a sentence.
    pub words: String,
}

/// Edges are counted from 0 to 100 % in the formula and from 10 to 90 % in data sheets: a straight edge takes 1.25 times as
/// long in whole.
const WHOLE_EDGE: f64 = 1.25;

/// The smallest margin over some limits at a frequency, and the limit's id.
fn margin_at(trace: &Trace, limits: &[Limit], frequency_hz: f64) -> Option<(f64, String)> {
    let margins = limits.iter().filter(|l| trace.unit == Some(l.unit)).filter_map(|l| {
        // Where the limit's own detector was not measured, peak is an upper bound of it.
        let detector = trace.column(l.detector).map_or(Detector::Peak, |_| l.detector);
        let level = crate::case_file::level_at(trace, Some(detector), frequency_hz)?;
        Some((l.at(frequency_hz)? - level, l.id.clone()))
    });
    margins.min_by(|a, b| a.0.total_cmp(&b.0))
}

/// For every family with a source of the product: the rise time that would bring each multiple that is too high under the limits
/// of the run, with `in_hand_db` to spare.
pub fn edges_of_run(
    dir: &Path,
    run: &str,
    why: &Why,
    in_hand_db: f64,
    on_stage: &mut OnStage<'_>,
) -> Result<Vec<SourceEdge>, WorkError> {
    let judged = evaluate(dir, run, on_stage)?.judged;
    Ok(edges(why, &judged.trace, &judged.limits, in_hand_db))
}

fn edges(why: &Why, trace: &Trace, limits: &[Limit], in_hand_db: f64) -> Vec<SourceEdge> {
    let mut found = Vec::new();
    for c in &why.explanation.combs {
        let Some(source) = c.source_matches.first().map(|m| &why.sources[m.source]) else { continue };
        let fundamental_hz = c.comb.fundamental_hz;
        let mut multiples = Vec::new();
        for m in &c.comb.members {
            let Some((margin_db, limit)) = margin_at(trace, limits, m.frequency_hz) else { continue };
            let reduction_db = in_hand_db - margin_db;
            if reduction_db <= 0.0 {
                continue;
            }
            // Without a rise time the edge acts at best from this frequency on: that gives the least time that can do it.
            let now = WHOLE_EDGE * source.rise_time_s.unwrap_or(0.0);
            let (edge_s, share_of_period, too_slow) =
                match edge_needed(now, m.frequency_hz, fundamental_hz, reduction_db) {
                    EdgeAdvice::Enough => continue,
                    EdgeAdvice::Slower { edge_s, share_of_period } => (edge_s, share_of_period, false),
                    EdgeAdvice::TooSlow { edge_s, share_of_period } => (edge_s, share_of_period, true),
                };
            multiples.push(MultipleEdge {
                multiple: m.multiple,
                frequency_hz: m.frequency_hz,
                margin_db,
                limit,
                reduction_db,
                rise_time_s: edge_s / WHOLE_EDGE,
                share_of_period,
                too_slow,
            });
        }
        if multiples.is_empty() {
            continue;
        }
        let within = multiples.iter().filter(|m| !m.too_slow).map(|m| m.rise_time_s).fold(0.0, f64::max);
        let beyond = multiples.iter().filter(|m| m.too_slow).count();
        let now = source.rise_time_s.map_or_else(
            || "Its rise time is not described (rise_time_s), so this is the least that can do it".to_owned(),
            |t| format!("Now its edges rise in {:.1} ns", 1e9 * t),
        );
        let mut words = format!("{now}. ");
        if within > 0.0 {
            words.push_str(&format!(
                "{:.1} ns (10 to 90 %) would bring {} of its {} multiples that are too high under the limit with {in_hand_db} dB \
                 in hand.",
                1e9 * within,
                multiples.len() - beyond,
                multiples.len()
            ));
        }
        if beyond > 0 {
            words.push_str(&format!(
                "{}{} that is too high would need an edge of more than a tenth of the period: another remedy (filter, bond, \
                 layout).",
                if within > 0.0 { " " } else { "" },
                if beyond == 1 { "One multiple".to_owned() } else { format!("Each of {beyond} multiples") }
            ));
        }
        found.push(SourceEdge {
            source: source.name.clone(),
            fundamental_hz,
            rise_time_s: source.rise_time_s,
            multiples,
            words,
        });
    }
    found
}

/// What a cable may carry before a field limit is met.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct CableCurrent {
    /// The cable (port id).
    pub cable: String,
    /// Its length, m.
    pub length_m: f64,
    /// The limit.
    pub limit: String,
    /// Its distance, m.
    pub distance_m: f64,
    /// Frequency, Hz.
    pub frequency_hz: f64,
    /// The limit there, dBµV/m.
    pub limit_dbuv_per_m: f64,
    /// Up to this even the upper end of the band stays below the limit, dBµA.
    pub enough_to_dbua: f64,
    /// Here the estimate meets the limit, dBµA.
    pub meets_dbua: f64,
    /// From this even the lower end of the band is above the limit, dBµA.
    pub too_much_from_dbua: f64,
}

/// Frequencies of the table of currents, Hz.
pub const CURRENT_FREQUENCIES_HZ: [f64; 8] = [30e6, 50e6, 75e6, 100e6, 150e6, 200e6, 230e6, 300e6];

/// Which currents are too much for which limit: for each cable of the product and each field limit, over frequency. Without ids
/// the field limits of the project's runs are taken, or class B at 3 m where there are none.
pub fn currents_of_product(
    dir: &Path,
    limits: &[String],
    frequency_hz: &[f64],
) -> Result<Vec<CableCurrent>, WorkError> {
    let project = Project::open(dir)?;
    let product = project.product()?.product;
    let library = project.limits()?;
    let ids: Vec<String> = if limits.is_empty() {
        let mut used: BTreeSet<String> = BTreeSet::new();
        for run in project.runs()? {
            for l in run.record.pinned_limits.iter().filter(|l| l.unit == Unit::DbUvPerM && l.distance_m.is_some()) {
                used.insert(l.id.clone());
            }
        }
        if used.is_empty() { vec!["cispr32-b-field-3m".to_owned()] } else { used.into_iter().collect() }
    } else {
        limits.to_vec()
    };
    let limits = limits_of(&library, &ids)?;
    if let Some(l) = limits.iter().find(|l| l.unit != Unit::DbUvPerM || l.distance_m.is_none()) {
        return Err(WorkError::input(
            "limit",
            format!("`{}` is in {}", l.id, l.unit.symbol()),
            "a limit in dBµV/m at a distance",
        ));
    }
    let mut rows = Vec::new();
    for port in product.ports.iter().filter(|p| p.kind != Port::Enclosure) {
        let Some(length_m) = port.cable_length_m else { continue };
        for limit in &limits {
            let Some(distance_m) = limit.distance_m else { continue };
            for &f in frequency_hz {
                let Some(limit_dbuv_per_m) = limit.at(f) else { continue };
                let band = field_of_cable(0.0, f, length_m, distance_m);
                rows.push(CableCurrent {
                    cable: port.id.clone(),
                    length_m,
                    limit: limit.id.clone(),
                    distance_m,
                    frequency_hz: f,
                    limit_dbuv_per_m,
                    enough_to_dbua: limit_dbuv_per_m - band.to_dbuv_per_m,
                    meets_dbua: limit_dbuv_per_m - band.estimate_dbuv_per_m,
                    too_much_from_dbua: limit_dbuv_per_m - band.from_dbuv_per_m,
                });
            }
        }
    }
    Ok(rows)
}

/// A ringing node read from a run's trace.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct RunRinging {
    /// The hump.
    pub ringing: Ringing,
    /// The inductance that rings, H, where a capacitance is known.
    pub inductance_h: Option<f64>,
    /// The capacitance that rings, F.
    pub capacitance_f: Option<f64>,
    /// In a sentence.
    pub words: String,
}

/// Humps of a trace that no family explains and that are wider than a few bandwidths: something rings there. Each with a
/// sentence.
pub fn humps(why: &Why) -> Vec<(Ringing, String)> {
    let Some(trace) = &why.trace else { return Vec::new() };
    let Some(column) = trace.column(Detector::Peak).or(trace.columns.first()) else { return Vec::new() };
    let mut found: Vec<(Ringing, String)> = Vec::new();
    for &k in &why.explanation.unexplained {
        let peak = why.peaks[k];
        let (from_hz, to_hz) = (peak.frequency_hz / 1.4, peak.frequency_hz * 1.4);
        let Ok(r) = fit_ringing(&trace.frequency_hz, &column.level_db, from_hz, to_hz) else { continue };
        let near = (r.frequency_hz / peak.frequency_hz - 1.0).abs() < 0.05;
        let known = found.iter().any(|(f, _)| (f.frequency_hz / r.frequency_hz - 1.0).abs() < 0.05);
        if !near || known || r.width_hz < 3.0 * peak.bandwidth_hz || r.height_db < 6.0 {
            continue;
        }
        let words = format!(
            "A hump at {}, {} wide (Q {:.0}), {:.0} dB high: something rings there, {} if it rings with 100 pF (L = \
             1/((2πf)²C)). A known capacitor across the switch tells both.",
            cause::hertz(r.frequency_hz),
            cause::doubt(r.width_hz),
            r.quality,
            r.height_db,
            inductance(ringing_inductance_h(r.frequency_hz, 100e-12))
        );
        found.push((r, words));
    }
    found
}

/// To the two digits a width read off a trace bears.
fn inductance(value_h: f64) -> String {
    if value_h >= 0.95e-6 { format!("{:.1} µH", 1e6 * value_h) } else { format!("{:.0} nH", 1e9 * value_h) }
}

/// What is known of the capacitance that rings.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct RingingKnown {
    /// The capacitance itself, F.
    pub capacitance_f: Option<f64>,
    /// Where it rings with a capacitor added across the switch, Hz.
    pub with_capacitor_hz: Option<f64>,
    /// The added capacitor, F.
    pub added_f: Option<f64>,
}

/// Fits the hump of a run between two frequencies and names the parasitics that ring.
pub fn ringing_of_run(
    dir: &Path,
    run: &str,
    from_hz: f64,
    to_hz: f64,
    known: RingingKnown,
    on_stage: &mut OnStage<'_>,
) -> Result<RunRinging, WorkError> {
    if !(from_hz > 0.0 && to_hz > from_hz && to_hz.is_finite()) {
        return Err(WorkError::input(
            "from, to",
            format!("{from_hz} Hz to {to_hz} Hz"),
            "the lower frequency first, both above 0",
        ));
    }
    let trace = evaluate(dir, run, on_stage)?.judged.trace;
    let column = trace.column(Detector::Peak).or(trace.columns.first());
    let Some(column) = column else {
        return Err(WorkError::input("trace", "no column of levels", "at least one"));
    };
    let ringing = fit_ringing(&trace.frequency_hz, &column.level_db, from_hz, to_hz)
        .map_err(|e| WorkError::input("hump", e.to_string(), "a hump that stands out between the two frequencies"))?;
    let mut words = format!(
        "It rings at {} with Q {:.1}, {:.1} dB above its surroundings; the ringing falls to 1/e in {:.0} ns.",
        cause::hertz(ringing.frequency_hz),
        ringing.quality,
        ringing.height_db,
        1e9 * ringing.decay_s
    );
    let above = |what: &str, v: f64| {
        if v > 0.0 && v.is_finite() { Ok(v) } else { Err(WorkError::input(what, v.to_string(), "a number above 0")) }
    };
    let of = match known {
        RingingKnown { capacitance_f: Some(c), .. } => {
            let c = above("capacitance", c)?;
            Some((ringing_inductance_h(ringing.frequency_hz, c), c))
        }
        RingingKnown { with_capacitor_hz: Some(f2), added_f: Some(c), .. } => {
            let pair = parasitics(ringing.frequency_hz, above("with capacitor", f2)?, above("added", c)?);
            Some(pair.ok_or_else(|| {
                WorkError::input(
                    "with capacitor",
                    format!("{f2} Hz"),
                    format!("less than {:.0} Hz", ringing.frequency_hz),
                )
            })?)
        }
        _ => None,
    };
    if let Some((l, c)) = of {
        words.push_str(&format!(" What rings: {:.1} nH with {:.0} pF (Thomson).", 1e9 * l, 1e12 * c));
    }
    Ok(RunRinging { ringing, inductance_h: of.map(|p| p.0), capacitance_f: of.map(|p| p.1), words })
}

#[cfg(test)]
mod tests {
    use cause::{CombSearch, Source, SourceKind, explain, peaks_of_list};
    use emission::Column;
    use standards::LimitLibrary;

    use super::*;

    #[test]
    fn the_edge_asked_for_is_that_of_the_envelope() {
        // Multiples 60 to 80 of 132 kHz at 60 dBµV on average and quasi-peak: class B allows 50 dBµV average from 5 MHz on
        // (CISPR 32, table A.10), so they must fall by 10 dB and 3 in hand: the edge must be 10^(13/20) = 4.467 times as long.
        let f: Vec<f64> = (60..=80).map(|n| 132e3 * f64::from(n)).collect();
        let sources = vec![Source {
            name: "converter".into(),
            kind: SourceKind::Converter,
            frequency_hz: 132e3,
            relative_tolerance: None,
            duty: None,
            rise_time_s: Some(45e-9),
        }];
        let peaks = peaks_of_list(&f, &[60.0; 21], Some(9e3), None).expect("peaks");
        let explanation = explain(&peaks, &sources, &CombSearch::default()).expect("peaks");
        let why = Why { peaks, trace: None, sources, explanation, notes: Vec::new() };
        let column = |detector| Column {
            detector: Some(detector),
            name: String::new(),
            level_db: vec![60.0; 21],
            lower_bound: Vec::new(),
            floor_db: Vec::new(),
        };
        let trace = Trace {
            frequency_hz: f,
            unit: Some(Unit::DbUv),
            columns: vec![column(Detector::QuasiPeak), column(Detector::CisprAverage)],
            ..Trace::default()
        };
        let limits = limits_of(LimitLibrary::embedded(), &["cispr32-b-mains-qp".into(), "cispr32-b-mains-av".into()])
            .expect("known");
        let found = edges(&why, &trace, &limits, 3.0);
        assert_eq!(found.len(), 1);
        let m = &found[0].multiples[0];
        assert!((m.margin_db + 10.0).abs() < 1e-9 && m.limit == "cispr32-b-mains-av", "{m:?}");
        assert!((m.rise_time_s / 45e-9 - 4.467).abs() < 0.01, "{m:?}");
        assert!(!m.too_slow && found[0].words.contains("201.0 ns"), "{}", found[0].words);
    }
}
