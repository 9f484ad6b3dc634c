use std::fs;
use std::ops::ControlFlow;
use std::path::{Path, PathBuf};

use formats::capture::writer::NpyWriter;
use mains::harmonics::{Class, Product};
use project::{NewEquipment, NewSample, NewState, Place, Polarisation, Project, StateChange};
use scenario::{CaptureSpec, story, synthesise};
use standards::Port;

use crate::mains_quality::{HarmonicRules, MainsChoices};
use crate::mains_run::{MainsJob, MainsRunRequest, add_mains_run};
use crate::raw::{ReadingChoices, ReceiveChoices};
use crate::{OnStage, RawKind, RunRequest, Stage, WorkError, add_run};

/// Kind of port that the demonstration's sweeps were measured at.
pub const DEMO_PORT_OF_SWEEPS: Port = Port::Enclosure;

/// The demonstration project as it was written.
#[derive(Debug, Clone)]
pub struct Demo {
    /// Its folder.
    pub dir: PathBuf,
    /// Its runs, in the order they were measured.
    pub runs: Vec<String>,
}

/// Writes the demonstration project: product, chains, equipment, samples and states, then one run after another from
/// recordings that the physical model makes.
pub fn write_demo(dir: &Path, on_stage: &mut OnStage<'_>) -> Result<Demo, WorkError> {
    let story = story();
    let mut project = Project::create_with(dir, story.product_toml)?;
    for (name, text) in &story.chains {
        project.write_file(&Path::new("chains").join(name), text.as_bytes())?;
    }
    project.write_file(&Path::new(crate::FILTERS).join("mains.toml"), story.filter_toml.as_bytes())?;
    for e in &story.equipment {
        let day = |text: &str| text.parse().map_err(|e| WorkError::Ours(format!("a date of the demonstration: {e}")));
        project.add_equipment(NewEquipment {
            id: e.id.to_owned(),
            name: e.name.to_owned(),
            serial: Some(e.serial.to_owned()),
            calibrated: Some(day(e.calibrated)?),
            due: Some(day(e.due)?),
            note: Some(e.note.to_owned()).filter(|n| !n.is_empty()),
            ..NewEquipment::default()
        })?;
    }
    let in_product: Vec<String> = project.product()?.product.samples.into_iter().map(|s| s.id).collect();
    for s in story.samples.iter().filter(|s| !in_product.iter().any(|p| p == s.id)) {
        project.add_sample(NewSample {
            id: s.id.to_owned(),
            serial: Some(s.serial.to_owned()),
            description: s.note.to_owned(),
        })?;
    }
    let mut before: Option<String> = None;
    for s in &story.states {
        let id = project.add_state(NewState {
            id: s.id.to_owned(),
            description: format!("{}: {}", s.title, s.changes),
            based_on: before.take(),
            changes: s
                .each
                .iter()
                .map(|c| StateChange {
                    kind: c.kind.to_owned(),
                    what: c.what.to_owned(),
                    ports: c.ports.iter().map(|p| (*p).to_owned()).collect(),
                })
                .collect(),
        })?;
        before = Some(id);
    }
    let ports = project.product()?.product.ports;
    let port_of = |kind: Port| ports.iter().find(|p| p.kind == kind).map(|p| p.id.clone());
    let (mains, enclosure) = (port_of(Port::AcMains), port_of(DEMO_PORT_OF_SWEEPS));
    drop(project);

    let bench = tempfile::tempdir().map_err(|e| WorkError::Ours(format!("no room for temporary files: {e}")))?;
    let mut runs = Vec::new();
    for spec in &story.captures {
        let path = bench.path().join(spec.file_name);
        write_record(&path, spec, on_stage)?;
        let band = spec.band.parse().map_err(WorkError::Ours)?;
        let request = RunRequest {
            title: spec.title.to_owned(),
            port: mains.clone(),
            sample: Some(spec.sample.to_owned()),
            state: Some(spec.state.to_owned()),
            mode: Some(spec.mode.to_owned()),
            conductor: Some(spec.conductor.name().to_owned()),
            set_up: "Product on a wooden table 0.8 m high, 0.4 m from the vertical ground plane; 0.8 m of mains lead to the \
                     artificial network, which is bonded to the plane; all signal cables at full length, bundled 0.4 m \
                     above the plane."
                .to_owned(),
            limits: spec.limits.iter().map(|l| (*l).to_owned()).collect(),
            chain: Some(spec.chain.to_owned()),
            equipment: spec.equipment.iter().map(|e| (*e).to_owned()).collect(),
            measured_at: Some(spec.performed.to_owned()),
            choices: ReadingChoices {
                kind: Some(RawKind::Capture),
                capture: formats::capture::CaptureChoices {
                    rate_hz: Some(spec.rate_hz),
                    volts_per_unit: Some(spec.volts_per_unit),
                    ..Default::default()
                },
                receive: ReceiveChoices { band: Some(band), ..Default::default() },
                ..Default::default()
            },
            ..RunRequest::default()
        };
        runs.push(add_run(dir, &path, spec.file_name, &request, on_stage)?);
        // The next record is as large: nothing of this one is needed outside the project any more.
        let _ = fs::remove_file(&path);
    }
    for spec in &story.sweeps {
        let path = bench.path().join(spec.file_name);
        fs::write(&path, &spec.text).map_err(|e| WorkError::Ours(format!("{}: {e}", path.display())))?;
        let request = RunRequest {
            title: spec.title.to_owned(),
            port: enclosure.clone(),
            sample: Some(spec.sample.to_owned()),
            state: Some(spec.state.to_owned()),
            mode: Some(spec.mode.to_owned()),
            conductor: Some("vertical".to_owned()),
            set_up:
                "Antenna 3 m from the product's boundary, height 1 m to 4 m, vertical; product turned through 360°; \
                     cables at full length over the table's edge."
                    .to_owned(),
            limits: spec.limits.iter().map(|l| (*l).to_owned()).collect(),
            chain: Some(spec.chain.to_owned()),
            equipment: spec.equipment.iter().map(|e| (*e).to_owned()).collect(),
            measured_at: Some(spec.performed.to_owned()),
            choices: ReadingChoices { kind: Some(RawKind::Sweep), ..Default::default() },
            ..RunRequest::default()
        };
        runs.push(add_run(dir, &path, spec.file_name, &request, on_stage)?);
    }
    runs.extend(add_surveys(dir, bench.path(), &story, enclosure.clone(), on_stage)?);
    runs.push(add_mains(dir, bench.path(), &story, mains.clone(), on_stage)?);
    let last = story.captures.last();
    runs.extend(crate::demo_log::add_immunity(
        dir,
        last.map(|c| c.sample),
        last.map(|c| c.state),
        last.map(|c| c.mode),
        enclosure,
        mains,
    )?);
    Ok(Demo { dir: dir.to_owned(), runs })
}

/// The survey round the turntable, and the open bench with the product off and on: many small sweeps of the last state.
fn add_surveys(
    dir: &Path,
    bench: &Path,
    story: &scenario::Story,
    port: Option<String>,
    on_stage: &mut OnStage<'_>,
) -> Result<Vec<String>, WorkError> {
    let Some(like) = story.sweeps.last() else { return Ok(Vec::new()) };
    let mut runs = Vec::new();
    for sweep in scenario::turntable_survey().into_iter().chain(scenario::open_bench()) {
        let path = bench.join(&sweep.file_name);
        fs::write(&path, &sweep.text).map_err(|e| WorkError::Ours(format!("{}: {e}", path.display())))?;
        let survey = sweep.azimuth_deg.is_some();
        let place = Place {
            azimuth_deg: sweep.azimuth_deg,
            height_m: Some(if survey { 1.5 } else { 1.0 }),
            polarisation: Some(match sweep.wave {
                scenario::Wave::Vertical => Polarisation::Vertical,
                scenario::Wave::Horizontal => Polarisation::Horizontal,
            }),
            distance_m: Some(3.0),
            laboratory: None,
            product_off: sweep.product_off,
        };
        let on = !sweep.product_off;
        let request = RunRequest {
            title: match (survey, on) {
                (true, _) => format!("Survey, {}", place.words()),
                (false, true) => "Open bench, product on".to_owned(),
                (false, false) => "Open bench, product off".to_owned(),
            },
            port: port.clone(),
            sample: on.then(|| like.sample.to_owned()),
            state: on.then(|| like.state.to_owned()),
            mode: on.then(|| like.mode.to_owned()),
            place,
            set_up: if survey {
                "Shielded room with absorbers, antenna 3 m from the product's boundary at one height; turntable in steps of 30°."
            } else {
                "Open bench in the yard, antenna 3 m from the product; the product switched off and on by turns between sweeps."
            }
            .to_owned(),
            limits: if on { like.limits.iter().map(|l| (*l).to_owned()).collect() } else { Vec::new() },
            chain: Some(like.chain.to_owned()),
            equipment: like.equipment.iter().map(|e| (*e).to_owned()).collect(),
            measured_at: Some(like.performed.to_owned()),
            choices: ReadingChoices { kind: Some(RawKind::Sweep), ..Default::default() },
            ..RunRequest::default()
        };
        runs.push(add_run(dir, &path, &sweep.file_name, &request, on_stage)?);
    }
    Ok(runs)
}

/// Rate and length of the recording of the mains.
const MAINS_RATE_HZ: f64 = 10_000.0;
const MAINS_SECONDS: f64 = 40.0;

/// Harmonic currents of the invented product at a wall socket: last sample and state of the story.
fn add_mains(
    dir: &Path,
    bench: &Path,
    story: &scenario::Story,
    port: Option<String>,
    on_stage: &mut OnStage<'_>,
) -> Result<String, WorkError> {
    let path = bench.join("mains-voltage-current.npy");
    let fault = |e: std::io::Error| WorkError::Ours(format!("{}: {e}", path.display()));
    let mut file = NpyWriter::create_f32(&path, 2).map_err(fault)?;
    let frames = (MAINS_RATE_HZ * MAINS_SECONDS) as usize;
    file.write_f32(&scenario::mains_recording(MAINS_RATE_HZ, frames, 11)).map_err(fault)?;
    file.finish().map_err(fault)?;
    let last = story.captures.last();
    let request = MainsRunRequest {
        title: "Harmonic currents at a wall socket".to_owned(),
        port,
        sample: last.map(|c| c.sample.to_owned()),
        state: last.map(|c| c.state.to_owned()),
        mode: last.map(|c| c.mode.to_owned()),
        set_up: "Differential probe at the socket and a current clamp on the line conductor of the mains lead, two channels \
                 at 10 kS/s for 40 s; the relay of the damper switches every five seconds."
            .to_owned(),
        equipment: Vec::new(),
        notes: String::new(),
        measured_at: last.map(|c| c.performed.to_owned()),
        job: MainsJob {
            reading: MainsChoices {
                capture: formats::capture::CaptureChoices { rate_hz: Some(MAINS_RATE_HZ), ..Default::default() },
                voltage: Some("1".to_owned()),
                current: Some("2".to_owned()),
                volts_per_unit: Some(1.0),
                amperes_per_unit: Some(1.0),
                rated_v: Some(230.0),
                ..MainsChoices::new(mains::record::Mains::Hz50)
            },
            harmonics: Some(HarmonicRules::Product(Product::of(Class::A))),
            flicker: None,
        },
    };
    add_mains_run(dir, &path, "mains-voltage-current.npy", &request, on_stage)
}

/// Writes one synthesised record as a one-dimensional array of 16-bit integers.
fn write_record(path: &Path, spec: &CaptureSpec, on_stage: &mut OnStage<'_>) -> Result<(), WorkError> {
    let fault = |e: std::io::Error| WorkError::Ours(format!("{}: {e}", path.display()));
    let total = spec.frames();
    let mut file = NpyWriter::create_i16(path, 1).map_err(fault)?;
    let mut done = 0u64;
    let mut wrong = None;
    let flow = synthesise(spec, &mut |samples| {
        if let Err(e) = file.write_i16(samples) {
            wrong = Some(e);
            return ControlFlow::Break(());
        }
        done += samples.len() as u64;
        on_stage(&Stage { what: "making a record", fraction: Some(done as f64 / total.max(1) as f64) })
    });
    if let Some(e) = wrong {
        return Err(fault(e));
    }
    if flow.is_break() {
        return Err(WorkError::Cancelled);
    }
    file.finish().map_err(fault)?;
    Ok(())
}
