//! Runs of a project that belong together: by conductor, by position, off and on.

use std::path::Path;

use emission::ambient::{Ambient, AmbientError, AmbientOptions, ambient};
use emission::angles::{AngleError, AngleOptions, Angles, Position, angles};
use emission::conductors::{Held, ModeBand, hold, mode_bands};
use emission::distance::Polarisation;
use emission::{Trace, Verdict, judge};
use project::{Project, RunKind, RunRecord};
use serde::Serialize;
use standards::Limit;

use super::timing::limits_by_id;
use crate::evaluate::evaluate_run;
use crate::{OnStage, WorkError};

/// Which runs.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct RunFilter {
    /// Of this port.
    pub port: Option<String>,
    /// Of this modification state.
    pub state: Option<String>,
    /// Of this operating mode.
    pub mode: Option<String>,
    /// Of this sample.
    pub sample: Option<String>,
    /// Only these, by id; empty: all.
    pub runs: Vec<String>,
}

impl RunFilter {
    fn takes(&self, r: &RunRecord) -> bool {
        let same = |wanted: &Option<String>, has: &Option<String>| wanted.is_none() || wanted == has;
        same(&self.port, &r.port)
            && same(&self.state, &r.state)
            && same(&self.mode, &r.mode)
            && same(&self.sample, &r.sample)
            && (self.runs.is_empty() || self.runs.contains(&r.id))
    }
}

/// A run with its levels at the product.
#[derive(Debug, Clone)]
pub struct Swept {
    /// As recorded.
    pub record: RunRecord,
    /// Its levels, chain applied.
    pub trace: Trace,
}

/// The emission runs that a filter takes and that are not withdrawn, in the order of the ledger, with their levels.
pub fn swept_runs(
    dir: &Path,
    filter: &RunFilter,
    wanted: &dyn Fn(&RunRecord) -> bool,
    on_stage: &mut OnStage<'_>,
) -> Result<Vec<Swept>, WorkError> {
    let project = Project::open(dir)?;
    for id in &filter.runs {
        project.run(id)?;
    }
    let mut out = Vec::new();
    for run in project.runs()? {
        let emission = matches!(
            run.record.kind,
            RunKind::ConductedEmission | RunKind::RadiatedEmission | RunKind::DisturbancePower
        );
        let usable = run.withdrawn.is_none() && emission && !run.record.captures.is_empty();
        if !usable || !filter.takes(&run.record) || !wanted(&run.record) {
            continue;
        }
        let record = run.record.clone();
        let evaluation = evaluate_run(&project, run, on_stage)?;
        out.push(Swept { record, trace: evaluation.judged.trace });
    }
    Ok(out)
}

/// Limits by id, or those that the runs were held against.
fn limits_for(dir: &Path, ids: &[String], runs: &[Swept]) -> Result<Vec<Limit>, WorkError> {
    let project = Project::open(dir)?;
    if !ids.is_empty() {
        return limits_by_id(&project, ids);
    }
    let mut own: Vec<String> = Vec::new();
    for id in runs.iter().flat_map(|r| &r.record.limits) {
        if !own.contains(id) {
            own.push(id.clone());
        }
    }
    if own.is_empty() {
        return Err(WorkError::input("limit", "none of the runs names a limit", "--limit ID"));
    }
    limits_by_id(&project, &own)
}

/// Runs on the conductors of one port that were taken in one state.
#[derive(Debug, Clone, Serialize)]
pub struct ConductorGroup {
    /// Port, by its id.
    pub port: Option<String>,
    /// Modification state.
    pub state: Option<String>,
    /// Operating mode.
    pub mode: Option<String>,
    /// Sample.
    pub sample: Option<String>,
    /// Ids of the runs.
    pub runs: Vec<String>,
    /// Conductor of each.
    pub conductors: Vec<String>,
    /// The highest of them and where it comes from.
    pub held: Held,
    /// The verdict on that.
    pub verdict: Option<Verdict>,
    /// Bounds of common and differential mode; empty for a single conductor or traces that do not share their frequencies.
    pub bands: Vec<ModeBand>,
    /// What the reader should know.
    pub notes: Vec<String>,
}

/// Groups the runs that name a conductor by port, state, mode and sample; of several runs on one conductor the last counts.
pub fn conductors_of_runs(
    dir: &Path,
    filter: &RunFilter,
    limits: &[String],
    on_stage: &mut OnStage<'_>,
) -> Result<Vec<ConductorGroup>, WorkError> {
    let mut found = swept_runs(dir, filter, &|r| r.conductor.is_some() && !r.place.product_off, on_stage)?;
    if found.is_empty() {
        return Err(WorkError::input("runs", "none that names a conductor", "runs recorded with --conductor L1, N, …"));
    }
    let mut groups = Vec::new();
    while let Some(first) = found.first().cloned() {
        let key = |r: &RunRecord| (r.port.clone(), r.state.clone(), r.mode.clone(), r.sample.clone());
        let (own, rest): (Vec<Swept>, Vec<Swept>) =
            found.into_iter().partition(|s| key(&s.record) == key(&first.record));
        found = rest;
        // The last run on each conductor, in the order in which the conductors were first measured.
        let mut last: Vec<Swept> = Vec::new();
        let mut replaced = 0;
        for s in own {
            if let Some(before) = last.iter_mut().find(|l| l.record.conductor == s.record.conductor) {
                *before = s;
                replaced += 1;
            } else {
                last.push(s);
            }
        }
        let refs: Vec<&Trace> = last.iter().map(|s| &s.trace).collect();
        let names: Vec<String> = last.iter().filter_map(|s| s.record.conductor.clone()).collect();
        let mut notes = Vec::new();
        if replaced > 0 {
            notes.push(format!("{replaced} earlier run(s) on the same conductor were passed over for the latest one."));
        }
        let held = hold(&refs)?;
        let bands = if names.len() < 2 {
            notes.push(format!("Only {} was measured: the highest of all conductors is asked for.", names.join(", ")));
            Vec::new()
        } else {
            mode_bands(&names, &refs).unwrap_or_else(|e| {
                notes.push(format!("No bounds of the modes: {e}."));
                Vec::new()
            })
        };
        let limits = limits_for(dir, limits, &last).ok();
        let verdict = match &limits {
            Some(l) => Some(judge(&held.trace, &l.iter().collect::<Vec<_>>(), &emission::JudgeOptions::default())?),
            None => None,
        };
        groups.push(ConductorGroup {
            port: first.record.port.clone(),
            state: first.record.state.clone(),
            mode: first.record.mode.clone(),
            sample: first.record.sample.clone(),
            runs: last.iter().map(|s| s.record.id.clone()).collect(),
            conductors: names,
            held,
            verdict,
            bands,
            notes,
        });
    }
    Ok(groups)
}

fn position(record: &RunRecord) -> Position {
    Position {
        azimuth_deg: record.place.azimuth_deg,
        height_m: record.place.height_m,
        polarisation: record.place.polarisation.map(|p| match p {
            project::Polarisation::Horizontal => Polarisation::Horizontal,
            project::Polarisation::Vertical => Polarisation::Vertical,
        }),
    }
}

/// Runs at many positions, laid over each other.
#[derive(Debug, Clone, Serialize)]
pub struct AnglesOfRuns {
    /// Ids of the runs, in the order of the sweeps.
    pub runs: Vec<String>,
    /// Where each was taken.
    pub positions: Vec<Position>,
    /// Largest dimension of the product that was reckoned with, m.
    pub size_m: Option<f64>,
    /// Highest internal frequency that `product.toml` names, Hz.
    pub internal_hz: Option<f64>,
    /// All together.
    pub angles: Angles,
}

/// The diagonal of the housing, m, where `product.toml` says its three sides.
fn diagonal_m(product: &project::Product) -> Option<f64> {
    let e = &product.enclosure;
    let (a, b, c) = (e.length_m?, e.width_m?, e.height_m?);
    Some((a * a + b * b + c * c).sqrt())
}

/// Lays the runs over each other that say an azimuth, height or polarisation. Where the options say no radius, the housing of
/// `product.toml` gives it.
pub fn angles_of_runs(
    dir: &Path,
    filter: &RunFilter,
    limits: &[String],
    options: &AngleOptions,
    on_stage: &mut OnStage<'_>,
) -> Result<AnglesOfRuns, WorkError> {
    let placed = |r: &RunRecord| {
        !r.place.product_off
            && (r.place.azimuth_deg.is_some() || r.place.height_m.is_some() || r.place.polarisation.is_some())
    };
    let mut found = swept_runs(dir, filter, &placed, on_stage)?;
    // A sweep of the open bench says a height and perhaps a polarisation: beside a turntable's it is no position.
    if found.iter().any(|s| s.record.place.azimuth_deg.is_some()) {
        found.retain(|s| s.record.place.azimuth_deg.is_some());
    }
    if found.is_empty() {
        return Err(WorkError::input(
            "runs",
            "none that says an azimuth, height or polarisation",
            "runs recorded with --azimuth, --height, --polarisation",
        ));
    }
    one_distance(&found)?;
    let limits = limits_for(dir, limits, &found)?;
    let positions: Vec<Position> = found.iter().map(|s| position(&s.record)).collect();
    let sweeps: Vec<(Position, &Trace)> = positions.iter().copied().zip(found.iter().map(|s| &s.trace)).collect();
    let product = Project::open(dir)?.product()?.product;
    let own = options.radius_m.is_none().then(|| diagonal_m(&product)).flatten();
    let options = AngleOptions { radius_m: options.radius_m.or(own.map(|d| 0.5 * d)), ..options.clone() };
    let mut angles = angles(&sweeps, &limits.iter().collect::<Vec<_>>(), &options).map_err(of_angles)?;
    angles.notes.extend(own.map(|d| {
        format!(
            "The size is the diagonal of the housing in product.toml, {d:.2} m: cables that radiate make it larger."
        )
    }));
    angles.notes.extend(other_distance(&found, &limits));
    Ok(AnglesOfRuns {
        runs: found.iter().map(|s| s.record.id.clone()).collect(),
        positions,
        size_m: options.radius_m.map(|r| 2.0 * r),
        internal_hz: product.highest_internal_frequency_hz,
        angles,
    })
}

/// Levels at different distances are different quantities.
fn one_distance(found: &[Swept]) -> Result<(), WorkError> {
    let mut distances: Vec<f64> = found.iter().filter_map(|s| s.record.place.distance_m).collect();
    distances.sort_by(f64::total_cmp);
    distances.dedup();
    if distances.len() > 1 {
        return Err(WorkError::input(
            "runs",
            format!("distances of {distances:?} m"),
            "runs at one distance (choose them with --port, --state, --mode or --run)",
        ));
    }
    Ok(())
}

/// A level at one distance says little of a limit at another.
fn other_distance(found: &[Swept], limits: &[Limit]) -> Vec<String> {
    let Some(measured) = found.iter().find_map(|s| s.record.place.distance_m) else { return Vec::new() };
    limits
        .iter()
        .filter(|l| l.distance_m.is_some_and(|d| (d - measured).abs() > 0.01 * d))
        .map(|l| {
            format!(
                "Measured at {measured} m, and {} is a limit at {} m: the margins are no margins (hushfield distance says what one \
                 distance tells of the other).",
                l.id,
                l.distance_m.unwrap_or_default()
            )
        })
        .collect()
}

fn of_angles(error: AngleError) -> WorkError {
    match error {
        AngleError::Trace(e) => e.into(),
        AngleError::Judge(e) => e.into(),
        AngleError::Value { field, value, expected } => WorkError::input(field, value.to_string(), expected),
    }
}

/// Runs with the product off and on.
#[derive(Debug, Clone, Serialize)]
pub struct AmbientOfRuns {
    /// Ids of the runs with the product off.
    pub off: Vec<String>,
    /// With it on.
    pub on: Vec<String>,
    /// Every suspect marked.
    pub ambient: Ambient,
}

/// Marks suspects from the runs that were taken with the product off and on.
pub fn ambient_of_runs(
    dir: &Path,
    filter: &RunFilter,
    limits: &[String],
    options: &AmbientOptions,
    on_stage: &mut OnStage<'_>,
) -> Result<AmbientOfRuns, WorkError> {
    // With the product off it has neither state nor mode.
    let off_filter = RunFilter { state: None, mode: None, sample: None, ..filter.clone() };
    let off = swept_runs(dir, &off_filter, &|r| r.place.product_off, on_stage)?;
    // Only what was measured where the product was also measured off says anything of it.
    let same_place = |r: &RunRecord| {
        off.iter().any(|o| {
            project::Place { product_off: false, ..o.record.place.clone() } == r.place && o.record.port == r.port
        })
    };
    let on = swept_runs(dir, filter, &|r| !r.place.product_off && (off.is_empty() || same_place(r)), on_stage)?;
    if on.is_empty() && !off.is_empty() {
        return Err(WorkError::input(
            "runs",
            "none with the product on at the port and place (azimuth, height, polarisation, distance) of an off-run",
            "runs off and on that were recorded with the same --port, --azimuth, --height, --polarisation, --distance",
        ));
    }
    one_distance(&off.iter().chain(&on).cloned().collect::<Vec<_>>())?;
    let limits = limits_for(dir, limits, &on)?;
    let refs = |list: &[Swept]| list.iter().map(|s| s.trace.clone()).collect::<Vec<_>>();
    let (off_traces, on_traces) = (refs(&off), refs(&on));
    let mut marked = ambient(
        &off_traces.iter().collect::<Vec<_>>(),
        &on_traces.iter().collect::<Vec<_>>(),
        &limits.iter().collect::<Vec<_>>(),
        options,
    )
    .map_err(of_ambient)?;
    let times = |list: &[Swept]| list.iter().map(|s| s.record.measured_at).collect::<Vec<_>>();
    let (t_off, t_on) = (times(&off), times(&on));
    let apart = t_off.iter().max() < t_on.iter().min() || t_on.iter().max() < t_off.iter().min();
    marked.notes.extend(other_distance(&on, &limits));
    if apart {
        marked.notes.push(
            "All off-runs were taken before or after all on-runs: what changed in the surroundings between them is not told apart \
             from the product. Take them in turn."
                .to_owned(),
        );
    }
    Ok(AmbientOfRuns {
        off: off.iter().map(|s| s.record.id.clone()).collect(),
        on: on.iter().map(|s| s.record.id.clone()).collect(),
        ambient: marked,
    })
}

fn of_ambient(error: AmbientError) -> WorkError {
    match error {
        AmbientError::Trace(e) => e.into(),
        AmbientError::Judge(e) => e.into(),
        other => WorkError::input("sweeps", other.to_string(), "repeated sweeps with the product off and on"),
    }
}
