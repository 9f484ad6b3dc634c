//! From rows to a trace: sorted, repeats settled, gaps and coverage looked at.

use emission::{Column, Trace};
use quantity::Unit;
use standards::Detector;

use super::{FrequencyGap, Order, Repeats, SweepChoices, SweepError, SweepReading, Understood, convert_unit};

/// A column of levels in one unit of the project; NaN where there is none.
#[derive(Debug)]
pub(super) struct Levels {
    pub(super) name: String,
    pub(super) detector: Option<Detector>,
    pub(super) level_db: Vec<f64>,
}

/// A number of hertz for people.
pub(super) fn in_words(hz: f64) -> String {
    let (scaled, unit) = match hz.abs() {
        h if h >= 1e9 => (hz / 1e9, "GHz"),
        h if h >= 1e6 => (hz / 1e6, "MHz"),
        h if h >= 1e3 => (hz / 1e3, "kHz"),
        _ => (hz, "Hz"),
    };
    let text = format!("{scaled:.6}");
    format!("{} {unit}", text.trim_end_matches('0').trim_end_matches('.'))
}

/// Sorts, settles repeats, looks at the spacing and converts if asked. `lines` gives the line of a row for messages.
pub(super) fn finish(
    mut understood: Understood,
    mut frequency_hz: Vec<f64>,
    mut columns: Vec<Levels>,
    unit: Unit,
    line_of_row: impl Fn(usize) -> usize,
    choices: &SweepChoices,
) -> Result<SweepReading, SweepError> {
    let u = &mut understood;
    u.rows = frequency_hz.len();
    let rising = frequency_hz.windows(2).all(|w| w[0] <= w[1]);
    let falling = frequency_hz.windows(2).all(|w| w[0] >= w[1]);
    u.order = if rising {
        Order::Rising
    } else if falling {
        Order::Falling
    } else {
        Order::Mixed
    };
    let strictly = frequency_hz.windows(2).all(|w| w[0] < w[1]);
    if !strictly {
        // Stable, so that among equal frequencies the order of the file remains.
        let mut order: Vec<u32> = (0..frequency_hz.len() as u32).collect();
        order.sort_by(|a, b| frequency_hz[*a as usize].total_cmp(&frequency_hz[*b as usize]));
        let repeats = choices.repeats.unwrap_or_default();
        let mut kept: Vec<f64> = Vec::with_capacity(frequency_hz.len());
        let mut levels: Vec<Vec<f64>> = columns.iter().map(|_| Vec::with_capacity(frequency_hz.len())).collect();
        for row in order {
            let row = row as usize;
            if kept.last() == Some(&frequency_hz[row]) {
                if repeats == Repeats::Refuse {
                    return Err(SweepError::Row {
                        name: u.name.clone(),
                        line: line_of_row(row),
                        column: None,
                        what: format!("{} comes a second time", in_words(frequency_hz[row])),
                        expected: "each frequency once, as the choice `repeats` asks".to_owned(),
                    });
                }
                u.repeated += 1;
                for (kept, column) in levels.iter_mut().zip(&columns) {
                    let (last, new) = (kept.last_mut().expect("one was kept"), column.level_db[row]);
                    if last.is_nan() || (!new.is_nan() && (repeats == Repeats::Last || new > *last)) {
                        *last = new;
                    }
                }
            } else {
                kept.push(frequency_hz[row]);
                for (kept, column) in levels.iter_mut().zip(&columns) {
                    kept.push(column.level_db[row]);
                }
            }
        }
        frequency_hz = kept;
        for (column, level_db) in columns.iter_mut().zip(levels) {
            column.level_db = level_db;
        }
    }
    u.count = frequency_hz.len();
    u.from_hz = frequency_hz.first().copied().unwrap_or(0.0);
    u.to_hz = frequency_hz.last().copied().unwrap_or(0.0);
    spacing(u, &frequency_hz);
    for (i, a) in columns.iter().enumerate() {
        if let Some(d) = a.detector.filter(|d| columns[..i].iter().any(|b| b.detector == Some(*d))) {
            u.warnings.push(format!(
                "`{}` is a second column of the {d} detector: what asks for that detector gets the first",
                a.name
            ));
        }
        let highest = a.level_db.iter().copied().filter(|l| !l.is_nan()).fold(f64::NEG_INFINITY, f64::max);
        let lowest = a.level_db.iter().copied().filter(|l| !l.is_nan()).fold(f64::INFINITY, f64::min);
        if highest > 250.0 || lowest < -250.0 {
            u.warnings.push(format!(
                "`{}` runs from {lowest:.1} to {highest:.1} {unit}, which no receiver shows: is the unit right?",
                a.name
            ));
        }
    }
    let what: Vec<String> =
        columns.iter().map(|c| c.detector.map_or_else(|| c.name.clone(), |d| d.name().to_owned())).collect();
    let mut history = vec![format!(
        "read from {}: {} frequencies from {} to {}, {} in {unit}",
        u.name,
        u.count,
        in_words(u.from_hz),
        in_words(u.to_hz),
        what.join(", ")
    )];
    history.extend(u.conversions.iter().cloned());
    if u.repeated > 0 {
        history.push(format!(
            "{} repeated frequencies: {} kept",
            u.repeated,
            if choices.repeats == Some(Repeats::Last) { "the last level" } else { "the highest level" }
        ));
    }
    let mut trace = Trace {
        frequency_hz,
        unit: Some(unit),
        columns: columns
            .into_iter()
            .map(|c| Column {
                detector: c.detector,
                name: c.name,
                level_db: c.level_db,
                lower_bound: Vec::new(),
                floor_db: Vec::new(),
            })
            .collect(),
        bandwidth_hz: u.bandwidth_hz,
        impedance_ohm: u.impedance_ohm,
        history,
    };
    if let Some(to) = choices.convert_to.filter(|to| *to != unit) {
        let stated = trace.impedance_ohm.is_some();
        convert_unit(&mut trace, to, 50.0).map_err(|source| SweepError::Mix { name: u.name.clone(), source })?;
        let mut said = trace.history.last().cloned().unwrap_or_default();
        if !stated && said.contains('Ω') {
            said.push_str(" (50 Ω is assumed: the file does not say)");
        }
        u.conversions.push(said);
    }
    Ok(SweepReading { trace, understood })
}

/// Steps, gaps and how much of the band the bandwidth covers.
fn spacing(u: &mut Understood, frequency_hz: &[f64]) {
    if frequency_hz.len() < 2 {
        return;
    }
    let mut steps: Vec<f64> = frequency_hz.windows(2).map(|w| w[1] - w[0]).collect();
    u.step_hz = Some(steps.iter().fold((f64::INFINITY, 0.0f64), |(lo, hi), s| (lo.min(*s), hi.max(*s))));
    if let Some(bandwidth_hz) = u.bandwidth_hz {
        let span = u.to_hz - u.from_hz;
        let seen: f64 = steps.iter().map(|s| s.min(bandwidth_hz)).sum();
        let widest = u.step_hz.map_or(0.0, |s| s.1);
        // A receiver's scan steps by half the bandwidth or less (common practice); wider than the bandwidth leaves holes.
        if widest > bandwidth_hz * 1.001 {
            u.warnings.push(format!(
                "points lie up to {} apart with a bandwidth of {}: unless the instrument held the maximum between its points, {:.2} % of the band was never looked at; and a peak's frequency is known only to half the spacing",
                in_words(widest),
                in_words(bandwidth_hz),
                100.0 * (1.0 - seen / span)
            ));
        }
    }
    if frequency_hz.len() < 8 {
        return;
    }
    // Ten times the middle step, both in hertz and in ratio (so that a logarithmic grid has no gaps), is a gap.
    let mut ratios: Vec<f64> = frequency_hz.windows(2).map(|w| w[1] / w[0]).filter(|r| r.is_finite()).collect();
    let middle = steps.len() / 2;
    let middle_step = *steps.select_nth_unstable_by(middle, f64::total_cmp).1;
    let middle = ratios.len() / 2;
    let middle_ratio = if ratios.is_empty() { 1.0 } else { *ratios.select_nth_unstable_by(middle, f64::total_cmp).1 };
    for w in frequency_hz.windows(2) {
        if w[1] - w[0] > 10.0 * middle_step && (w[1] / w[0]).ln() > 10.0 * middle_ratio.ln() {
            u.gaps.push(FrequencyGap { from_hz: w[0], to_hz: w[1] });
        }
    }
    // A list of single emissions has no grid, and so no gaps in it.
    if u.gaps.len() * 4 > frequency_hz.len() {
        u.gaps.clear();
    }
}
