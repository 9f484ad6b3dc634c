//! The immunity runs of the demonstration: discharges with one upset, logged by two people, and bursts without any.

use std::path::Path;

use immunity::sheet::{EsdPlan, Polarity, Sheet, burst, esd};
use jiff::{SignedDuration, Timestamp};
use project::{Climate, Criteria, Criterion, LogEntry, LogWhat, NewEquipment, Project};
use scenario::immunity as story;

use crate::WorkError;
use crate::log::{LogRequest, close_log, start_log};

/// Begins, fills and closes both runs; gives their ids.
pub(crate) fn add_immunity(
    dir: &Path,
    sample: Option<&str>,
    state: Option<&str>,
    mode: Option<&str>,
    enclosure: Option<String>,
    mains: Option<String>,
) -> Result<Vec<String>, WorkError> {
    let mut project = Project::open(dir)?;
    let ours = |e: jiff::Error| WorkError::Ours(format!("a date of the demonstration: {e}"));
    for g in story::generators() {
        project.add_equipment(NewEquipment {
            id: g.id.to_owned(),
            name: g.name.to_owned(),
            serial: Some(g.serial.to_owned()),
            calibrated: Some(g.calibrated.parse().map_err(ours)?),
            due: Some(g.due.parse().map_err(ours)?),
            ..NewEquipment::default()
        })?;
    }
    drop(project);
    let [esd_generator, burst_generator] = story::generators();
    let [temperature_c, humidity_percent, pressure_kpa] = story::CLIMATE;
    let request =
        |sheet: &Sheet, port: Option<String>, equipment: &str, at: Timestamp| -> Result<LogRequest, WorkError> {
            Ok(LogRequest {
                sheet: serde_json::to_value(sheet)
                    .map_err(|e| WorkError::Ours(format!("a sheet of the demonstration: {e}")))?,
                port,
                sample: sample.map(str::to_owned),
                state: state.map(str::to_owned),
                mode: mode.map(str::to_owned),
                required: Some(Criterion::B),
                monitoring: story::WATCHED.to_owned(),
                criteria: Criteria::default(),
                climate: Climate {
                    temperature_c: Some(temperature_c),
                    humidity_percent: Some(humidity_percent),
                    pressure_kpa: Some(pressure_kpa),
                },
                present: story::PRESENT.map(str::to_owned).to_vec(),
                acknowledged: sheet.cautions.clone(),
                acknowledged_by: story::PRESENT[0].to_owned(),
                equipment: vec![equipment.to_owned()],
                at: Some(at),
                ..LogRequest::default()
            })
        };
    let morning: Timestamp = format!("{}T08:10:00Z", story::IMMUNITY_DAY).parse().map_err(ours)?;
    let discharges = esd(&EsdPlan {
        contact_points: story::CONTACT_POINTS.map(str::to_owned).to_vec(),
        air_points: story::AIR_POINTS.map(str::to_owned).to_vec(),
        contact_kv: story::CONTACT_KV.to_vec(),
        air_kv: story::AIR_KV.to_vec(),
        faces: 0,
        horizontal: true,
        count: 10,
        interval_s: 1.0,
        move_s: 60.0,
    });
    let esd_run = start_log(dir, &request(&discharges, enclosure, esd_generator.id, morning)?)?;
    log_discharges(dir, &esd_run, &discharges, morning)?;
    let noon: Timestamp = format!("{}T10:30:00Z", story::IMMUNITY_DAY).parse().map_err(ours)?;
    let ports: Vec<(String, f64)> = story::BURST_PORTS.iter().map(|(p, kv)| ((*p).to_owned(), *kv)).collect();
    let bursts = burst(&ports, &story::BURST_KHZ, false, 300.0);
    let burst_run = start_log(dir, &request(&bursts, mains, burst_generator.id, noon)?)?;
    let mut desk = Desk::new(&burst_run, noon);
    for step in &bursts.steps {
        desk.rest(if step.change_before { 300 } else { 5 });
        desk.rest(60);
        desk.enter(1, given(&step.id, 1, Some(Criterion::A), "", &step.level));
    }
    desk.end(dir, &burst_run)?;
    Ok(vec![esd_run, burst_run])
}

fn given(step: &str, stimuli: u32, result: Option<Criterion>, seen: &str, level: &str) -> LogWhat {
    LogWhat::Step {
        step: step.to_owned(),
        stimuli,
        result,
        seen: seen.to_owned(),
        level: level.to_owned(),
        frequency_hz: None,
    }
}

/// Two devices and a clock.
struct Desk {
    run: String,
    at: Timestamp,
    numbers: [u64; 2],
    entries: Vec<LogEntry>,
}

impl Desk {
    fn new(run: &str, at: Timestamp) -> Self {
        Self { run: run.to_owned(), at, numbers: [0; 2], entries: Vec::new() }
    }

    fn rest(&mut self, seconds: i64) {
        self.at += SignedDuration::from_secs(seconds);
    }

    fn enter(&mut self, who: usize, what: LogWhat) -> String {
        self.numbers[who] += 1;
        let client = format!("tablet-{}", story::PRESENT[who].to_lowercase());
        let key = format!("{client}-{}-{}", self.run, self.numbers[who]);
        self.entries.push(LogEntry {
            run: self.run.clone(),
            key: key.clone(),
            client,
            sequence: self.numbers[who],
            at: self.at,
            who: story::PRESENT[who].to_owned(),
            what,
        });
        key
    }

    fn end(self, dir: &Path, run: &str) -> Result<(), WorkError> {
        Project::open(dir)?.append_log(&self.entries)?;
        close_log(dir, run)?;
        Ok(())
    }
}

/// Ada holds the generator and counts; Jon watches the product and says what he saw.
fn log_discharges(dir: &Path, run: &str, sheet: &Sheet, at: Timestamp) -> Result<(), WorkError> {
    let (place, kv, after) = story::UPSET;
    let mut desk = Desk::new(run, at);
    for (k, step) in sheet.steps.iter().enumerate() {
        desk.rest(if step.change_before { 60 } else { 6 });
        let upset = step.place == place && step.level_value == Some(kv) && step.polarity == Some(Polarity::Positive);
        if upset {
            desk.rest(i64::from(after));
            desk.enter(0, given(&step.id, after, None, "", &step.level));
            desk.rest(4);
            desk.enter(1, given(&step.id, 0, Some(Criterion::B), story::UPSET_SEEN, &step.level));
            desk.enter(
                0,
                LogWhat::Pause { text: "upset looked into, screen clamp tightened by hand, no change".to_owned() },
            );
            desk.rest(240);
            desk.enter(0, LogWhat::Resume);
            desk.rest(i64::from(step.count - after));
            desk.enter(0, given(&step.id, step.count - after, Some(Criterion::A), "", &step.level));
            continue;
        }
        desk.rest(i64::from(step.count));
        if k == 1 {
            // A slip of the finger, as they happen, and its correction.
            let slip = desk.enter(0, given(&step.id, step.count, Some(Criterion::C), "", &step.level));
            desk.rest(8);
            desk.enter(0, LogWhat::Withdraw { entry: slip, text: "wrong button, nothing was seen".to_owned() });
        }
        desk.enter(0, given(&step.id, step.count, Some(Criterion::A), "", &step.level));
    }
    desk.enter(
        1,
        LogWhat::Deviation {
            step: None,
            text: "the vertical plane was left out: the housing is mounted with its back on a wall".to_owned(),
            skipped: false,
        },
    );
    desk.end(dir, run)
}
