//! What makes an emission: the product's sources, the peaks of a file or a run, and what they come from.

use std::fs;
use std::path::Path;

use cause::{CombSearch, Explanation, Peak, PeakFinding, Source, SourceKind, explain, find_peaks, peaks_of_list};
use emission::Trace;
use formats::peak_list::read_peak_list;
use formats::sweep::{SweepChoices, read_sweep};
use formats::trace_file::{read_trace, sidecar_path};
use project::{Product, Project};
use standards::Detector;

use crate::{OnStage, WorkError, evaluate};

/// What is asked of peaks.
#[derive(Debug, Clone, Default)]
pub struct WhyChoices {
    /// Bandwidth of the receiver, Hz; none takes the file's, or that of the band.
    pub bandwidth_hz: Option<f64>,
    /// Largest error of the frequencies, Hz.
    pub tolerance_hz: Option<f64>,
    /// Read the file as a list of peaks (`Some(true)`) or as a sweep; none looks at it.
    pub is_list: Option<bool>,
    /// How combs are searched.
    pub search: CombSearch,
}

/// Peaks and what they come from.
#[derive(Debug, Clone)]
pub struct Why {
    /// The peaks, sorted by frequency.
    pub peaks: Vec<Peak>,
    /// The trace they were found in, where they were.
    pub trace: Option<Trace>,
    /// The product's clocks and converters.
    pub sources: Vec<Source>,
    /// What the peaks come from.
    pub explanation: Explanation,
    /// How the file was understood.
    pub notes: Vec<String>,
}

/// The product's clocks and converters as sources.
pub fn sources_of(product: &Product) -> Vec<Source> {
    let clocks = product.clocks.iter().map(|c| Source {
        name: c.name.clone(),
        kind: SourceKind::Clock,
        frequency_hz: c.frequency_hz,
        relative_tolerance: c.tolerance_ppm.map(|ppm| 1e-6 * ppm),
        duty: None,
        rise_time_s: c.rise_time_s,
    });
    let converters = product.converters.iter().map(|c| Source {
        name: c.name.clone(),
        kind: SourceKind::Converter,
        frequency_hz: c.frequency_hz,
        relative_tolerance: c.tolerance_ppm.map(|ppm| 1e-6 * ppm),
        duty: c.duty,
        rise_time_s: c.rise_time_s,
    });
    clocks.chain(converters).collect()
}

/// The peaks of a trace: of its peak detector, otherwise of its first column.
pub fn peaks_of_trace(trace: &Trace, choices: &WhyChoices) -> Result<Vec<Peak>, WorkError> {
    let column = trace.column(Detector::Peak).or(trace.columns.first());
    let Some(column) = column else {
        return Err(WorkError::input("trace", "no column of levels", "at least one"));
    };
    let bandwidth_hz = choices.bandwidth_hz.or(trace.bandwidth_hz);
    let mut peaks = find_peaks(&trace.frequency_hz, &column.level_db, bandwidth_hz, &PeakFinding::default())
        .map_err(|e| WorkError::input("trace", e.to_string(), "levels and frequencies"))?;
    for p in &mut peaks {
        p.tolerance_hz = choices.tolerance_hz;
    }
    Ok(peaks)
}

/// A list of rows is a sweep when it is long and evenly stepped.
fn looks_like_a_sweep(frequency_hz: &[f64]) -> bool {
    if frequency_hz.len() < 100 {
        return false;
    }
    let mut steps: Vec<f64> = frequency_hz.windows(2).map(|w| w[1] - w[0]).collect();
    let even = |steps: &mut Vec<f64>| {
        steps.sort_by(f64::total_cmp);
        let middle = steps[steps.len() / 2];
        let like = steps.iter().filter(|s| (**s - middle).abs() <= 0.02 * middle.abs()).count();
        middle > 0.0 && 10 * like >= 9 * steps.len()
    };
    let mut ratios: Vec<f64> = frequency_hz.windows(2).map(|w| (w[1] / w[0]).ln()).collect();
    even(&mut steps) || even(&mut ratios)
}

/// Reads a list of peaks, a trace of ours or any sweep, and finds what its peaks come from.
pub fn why_of_file(
    path: &Path,
    product: Option<&Product>,
    sweep: &SweepChoices,
    choices: &WhyChoices,
) -> Result<Why, WorkError> {
    let file = path.display().to_string();
    let sources = product.map(sources_of).unwrap_or_default();
    let bytes = fs::read(path).map_err(|e| WorkError::input(file.clone(), e.to_string(), "a file that can be read"))?;
    let mut notes = Vec::new();
    if choices.is_list != Some(false) && !sidecar_path(path).is_file() {
        let text = String::from_utf8_lossy(&bytes);
        let list = read_peak_list(&text, &file)?;
        match list {
            Some(list) if choices.is_list == Some(true) || !looks_like_a_sweep(&list.frequency_hz) => {
                let mut peaks =
                    peaks_of_list(&list.frequency_hz, &list.level_db, choices.bandwidth_hz, choices.tolerance_hz)
                        .map_err(|e| WorkError::input(file.clone(), e.to_string(), "peaks"))?;
                if let Some(tolerances) = list.tolerance_hz.filter(|_| choices.tolerance_hz.is_none()) {
                    let mut by_frequency: Vec<(f64, f64)> = list.frequency_hz.iter().copied().zip(tolerances).collect();
                    by_frequency.sort_by(|a, b| a.0.total_cmp(&b.0));
                    for (p, (_, t)) in peaks.iter_mut().zip(by_frequency) {
                        p.tolerance_hz = Some(t);
                    }
                }
                notes.push(format!("a list of {} peaks", peaks.len()));
                return finish(peaks, None, sources, choices, notes);
            }
            None if choices.is_list == Some(true) => {
                return Err(WorkError::input(file, "no list of peaks", "a heading `frequency_hz,level_dbuv`"));
            }
            _ => {}
        }
    }
    let trace = if sidecar_path(path).is_file() {
        read_trace(path).map_err(|e| WorkError::input(file.clone(), e.to_string(), "a trace of the receiver"))?.0
    } else {
        read_sweep(&bytes, &file, sweep)?.trace
    };
    let peaks = peaks_of_trace(&trace, choices)?;
    notes.push(format!(
        "a trace of {} frequencies, in which {} peaks stand out",
        trace.frequency_hz.len(),
        peaks.len()
    ));
    finish(peaks, Some(trace), sources, choices, notes)
}

/// What the peaks of a run come from.
pub fn why_of_run(dir: &Path, run: &str, choices: &WhyChoices, on_stage: &mut OnStage<'_>) -> Result<Why, WorkError> {
    let product = Project::open(dir)?.product()?.product;
    let trace = evaluate(dir, run, on_stage)?.judged.trace;
    let peaks = peaks_of_trace(&trace, choices)?;
    let notes =
        vec![format!("run {run}: {} frequencies, in which {} peaks stand out", trace.frequency_hz.len(), peaks.len())];
    finish(peaks, Some(trace), sources_of(&product), choices, notes)
}

fn finish(
    peaks: Vec<Peak>,
    trace: Option<Trace>,
    sources: Vec<Source>,
    choices: &WhyChoices,
    notes: Vec<String>,
) -> Result<Why, WorkError> {
    let explanation = explain(&peaks, &sources, &choices.search)
        .map_err(|e| WorkError::input("peaks", e.to_string(), "frequencies and levels"))?;
    Ok(Why { peaks, trace, sources, explanation, notes })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn an_even_row_of_many_frequencies_is_a_sweep() {
        let even: Vec<f64> = (0..200).map(|i| 150e3 + 4.5e3 * f64::from(i)).collect();
        let geometric: Vec<f64> = (0..200).map(|i| 150e3 * 1.01f64.powi(i)).collect();
        let peaks: Vec<f64> = (0..200).map(|i| 150e3 + 66.37e3 * f64::from(i * i % 211)).collect();
        assert!(looks_like_a_sweep(&even) && looks_like_a_sweep(&geometric));
        assert!(!looks_like_a_sweep(&peaks) && !looks_like_a_sweep(&even[..50]));
    }
}
