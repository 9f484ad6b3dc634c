//! `hushfield scan`: readings of a hand-held probe on a picture of the product, the map, and where to probe next.

use std::path::PathBuf;

use clap::{Args, Subcommand, ValueEnum};
use project::{HandProbe, Spot};
use quantity::Unit;
use serde_json::json;
use workbench::scan::{NewReading, SCAN_CAUTION, Scan, enter_reading, keep_photo, photos, scan_of, withdraw_reading};

use crate::outcome::{Failure, Outcome};
use crate::print::{self, Show, db, hz};

/// What a reading is taken with.
#[derive(Debug, Clone, Copy, PartialEq, Eq, ValueEnum)]
pub(crate) enum Probe {
    /// A loop
    Magnetic,
    /// A stub or ball
    Electric,
    /// A current clamp round a cable
    Clamp,
    /// Something else
    Other,
}

impl Probe {
    fn kind(self) -> HandProbe {
        match self {
            Self::Magnetic => HandProbe::Magnetic,
            Self::Electric => HandProbe::Electric,
            Self::Clamp => HandProbe::Clamp,
            Self::Other => HandProbe::Other,
        }
    }
}

#[derive(Debug, Args)]
pub(crate) struct ScanArgs {
    /// The project's folder
    pub(crate) dir: PathBuf,
    /// The picture: a file in photos/, a path, or the name or id of one the project keeps
    #[arg(long, global = true)]
    pub(crate) photo: Option<String>,
    /// Frequency, Hz
    #[arg(long, global = true, value_parser = above_zero)]
    pub(crate) frequency: Option<f64>,
    /// What the readings are taken with [default when adding: magnetic]
    #[arg(long, global = true)]
    pub(crate) probe: Option<Probe>,
    #[command(subcommand)]
    pub(crate) what: Option<ScanDoes>,
}

#[derive(Debug, Args)]
pub(crate) struct AddReading {
    /// From the picture's left edge, 0 to 1
    #[arg(long, allow_negative_numbers = true)]
    pub(crate) x: Option<f64>,
    /// From its top edge, 0 to 1
    #[arg(long, allow_negative_numbers = true)]
    pub(crate) y: Option<f64>,
    /// Level [default: from the run's trace]
    #[arg(long, allow_negative_numbers = true)]
    pub(crate) level: Option<f64>,
    /// Unit of the level: dBuV, dBuA, dBm, … [default: dBuV; of a clamp dBuA]
    #[arg(long)]
    pub(crate) unit: Option<String>,
    /// The port whose cable the clamp is round
    #[arg(long)]
    pub(crate) cable: Option<String>,
    /// Distance between the probe's mark and the surface, m
    #[arg(long)]
    pub(crate) distance: Option<f64>,
    /// How the probe is turned against the picture's horizontal, degrees
    #[arg(long, allow_negative_numbers = true)]
    pub(crate) orientation: Option<f64>,
    /// The run to take the level from, or whose emission is looked for
    #[arg(long)]
    pub(crate) run: Option<String>,
    /// What else was seen
    #[arg(long, default_value = "")]
    pub(crate) remark: String,
}

#[derive(Debug, Subcommand)]
pub(crate) enum ScanDoes {
    /// Enter a reading; it stays in the ledger
    Add(Box<AddReading>),
    /// Take a reading back; it stays readable in the ledger
    Withdraw {
        /// Its entry in the ledger, as the list of readings says it
        entry: u64,
        /// Why
        #[arg(long)]
        reason: String,
    },
}

fn above_zero(text: &str) -> Result<f64, String> {
    let value = text.parse::<f64>().ok().filter(|v| v.is_finite() && *v > 0.0);
    value.ok_or_else(|| "expected a number above 0, in Hz".to_owned())
}

pub(crate) fn scan(show: Show, a: &ScanArgs) -> Result<Outcome, Failure> {
    let missing = |what: &str| Failure::input(format!("{what}: expected with this"));
    match &a.what {
        Some(ScanDoes::Add(add)) => {
            let AddReading { x, y, level, unit, cable, distance, orientation, run, remark } = add.as_ref();
            let unit = match unit {
                Some(u) => Some(u.parse::<Unit>().map_err(|e| Failure::input(format!("--unit: {e}")))?),
                None => None,
            };
            let spot = match (&a.photo, x, y) {
                (Some(photo), Some(x), Some(y)) => Some(Spot { photo: keep_photo(&a.dir, photo)?, x: *x, y: *y }),
                (None, None, None) if cable.is_some() => None,
                _ => return Err(missing("--photo, --x and --y together, or --cable with --probe clamp")),
            };
            let probe = a.probe.unwrap_or(if cable.is_some() { Probe::Clamp } else { Probe::Magnetic });
            let new = NewReading {
                spot,
                frequency_hz: a.frequency.ok_or_else(|| missing("--frequency"))?,
                level_db: *level,
                unit,
                probe: probe.kind(),
                cable: cable.clone(),
                distance_m: *distance,
                orientation_deg: *orientation,
                run: run.clone(),
                remark: remark.clone(),
            };
            let on_picture = new.spot.is_some();
            let entry = enter_reading(&a.dir, new, &mut |_| std::ops::ControlFlow::Continue(()))?;
            if !on_picture {
                return said(show, &json!({ "entry": entry }), &format!("Entered as entry {entry} of the ledger.\n"));
            }
            if !show.json {
                print::text(&format!("Entered as entry {entry} of the ledger.\n\n"))?;
            }
            map(show, a, Some(entry))
        }
        Some(ScanDoes::Withdraw { entry, reason }) => {
            withdraw_reading(&a.dir, *entry, reason)?;
            said(
                show,
                &json!({ "withdrawn": entry }),
                &format!("Entry {entry} no longer counts; it stays in the ledger.\n"),
            )
        }
        None => match (&a.photo, a.frequency) {
            (Some(_), Some(_)) => map(show, a, None),
            _ => list(show, a),
        },
    }
}

fn said(show: Show, value: &serde_json::Value, words: &str) -> Result<Outcome, Failure> {
    if show.json {
        print::json(value)?;
    } else {
        print::text(words)?;
    }
    Ok(Outcome::Done)
}

fn list(show: Show, a: &ScanArgs) -> Result<Outcome, Failure> {
    let mut all = photos(&a.dir)?;
    if let (Some(_), None) = (a.frequency, &a.photo)
        && let [only] = all.as_slice()
        && !only.id.is_empty()
    {
        let only = ScanArgs {
            photo: Some(only.id.clone()),
            dir: a.dir.clone(),
            frequency: a.frequency,
            probe: a.probe,
            what: None,
        };
        return map(show, &only, None);
    }
    if let Some(photo) = &a.photo {
        let id = keep_photo(&a.dir, photo)?;
        all = photos(&a.dir)?;
        all.retain(|p| p.id == id);
    }
    let mut words = String::new();
    if all.is_empty() {
        words
            .push_str("No picture yet: put a photograph or drawing of the product in photos/, or give --photo PATH.\n");
    }
    for p in &all {
        words.push_str(&format!("{}{}\n", p.name, p.size.map_or_else(String::new, |(w, h)| format!(" ({w} × {h})"))));
        for (f, n) in &p.scanned {
            words.push_str(&format!("  {}: {n} readings (--frequency {f})\n", hz(*f)));
        }
        if p.scanned.is_empty() {
            words.push_str("  no readings yet: scan DIR --photo … --frequency HZ says where to begin\n");
        }
    }
    words.push_str(&format!("Caution: {SCAN_CAUTION}\n"));
    said(show, &json!({ "photos": all, "caution": SCAN_CAUTION }), &words)
}

fn map(show: Show, a: &ScanArgs, entry: Option<u64>) -> Result<Outcome, Failure> {
    let (Some(photo), Some(frequency)) = (&a.photo, a.frequency) else {
        return Err(Failure::input("expected --photo and --frequency"));
    };
    let id = keep_photo(&a.dir, photo)?;
    let probe = a.probe.map(Probe::kind);
    let scan = scan_of(&a.dir, &id, frequency, probe, 48)?;
    let mut value = json!({
        "photo": scan.photo, "frequency_hz": scan.frequency_hz, "probe": scan.probe, "unit": scan.unit,
        "readings": scan.readings, "left_out": scan.left_out, "map": scan.map, "caution": SCAN_CAUTION,
    });
    if let Some(entry) = entry {
        value["entry"] = json!(entry);
    }
    said(show, &value, &in_words(&scan))
}

fn percent(share: f64) -> String {
    format!("{:.0} %", 100.0 * share)
}

/// The map in letters: what is known in steps of a tenth of the range between the levels, `·` where it is not.
fn letters(scan: &Scan) -> String {
    let m = &scan.map;
    let known: Vec<f64> =
        m.level_db.iter().zip(&m.deviation_db).filter(|(_, d)| **d <= m.unknown_above_db).map(|(l, _)| *l).collect();
    let (low, high) = known.iter().fold((f64::INFINITY, f64::NEG_INFINITY), |b, l| (b.0.min(*l), b.1.max(*l)));
    // A letter is twice as high as wide.
    let mut text = String::new();
    for row in (0..m.rows).step_by(2) {
        text.push_str("  ");
        for column in 0..m.columns {
            let k = row * m.columns + column;
            let (x, y) = ((column as f64 + 0.5) / m.columns as f64, (row as f64 + 0.5) / m.rows as f64);
            let here = |px: f64, py: f64| {
                (px - x).abs() <= 0.5 / m.columns as f64 + 1e-9
                    && (py - y) * m.rows as f64 <= 1.5
                    && (py - y) * m.rows as f64 > -0.5
            };
            text.push(if m.next.is_some_and(|n| here(n.x, n.y)) {
                'X'
            } else if m.deviation_db[k] > m.unknown_above_db || known.is_empty() {
                '·'
            } else {
                let step = ((m.level_db[k] - low) / (high - low).max(1.0) * 9.99) as u8;
                (b'0' + step.min(9)) as char
            });
        }
        text.push('\n');
    }
    if !known.is_empty() {
        text.push_str(&format!("  0 is {} dB, 9 is {} dB; · is unknown; X is the next place.\n", db(low), db(high)));
    }
    text
}

fn in_words(scan: &Scan) -> String {
    let m = &scan.map;
    let unit = scan.unit.map_or("dB", Unit::symbol);
    let mut text = format!(
        "{} at {}: {} readings{}.\n",
        scan.photo.name,
        hz(scan.frequency_hz),
        scan.readings.len(),
        scan.probe.map_or_else(String::new, |p| format!(" with the {}", p.name()))
    );
    let rows = scan
        .readings
        .iter()
        .map(|r| {
            let spot = r.reading.spot.as_ref();
            let place = spot.map_or_else(String::new, |s| format!("{}, {}", percent(s.x), percent(s.y)));
            let distance = r.reading.distance_m.map_or_else(String::new, |d| format!("{:.0} mm", 1e3 * d));
            let turn = r.reading.orientation_deg.map_or_else(String::new, |o| format!("{o:.0}°"));
            vec![r.entry.to_string(), place, db(r.reading.level_db), distance, turn, r.reading.remark.clone()]
        })
        .collect();
    text.push_str(&print::table(
        &["entry", "from left, top", &format!("level, {unit}"), "distance", "turn", "remark"],
        rows,
        &[0, 2],
    ));
    if scan.readings.len() > 1 {
        text.push_str(&letters(scan));
        text.push_str(&format!(
            "Highest where known: {} from the left, {} from the top, about {} ± {} {unit}.\n",
            percent(m.highest.x),
            percent(m.highest.y),
            db(m.highest.expected_db),
            db(m.highest.deviation_db)
        ));
    }
    match m.next {
        Some(n) if scan.readings.is_empty() => {
            text.push_str(&format!("Begin {} from the left and {} from the top.\n", percent(n.x), percent(n.y)));
        }
        Some(n) => text.push_str(&format!(
            "Probe next {} from the left and {} from the top (--x {:.3} --y {:.3}): {} ± {} {unit} expected, {} dB more than the \
             highest so far on average.\n",
            percent(n.x),
            percent(n.y),
            n.x,
            n.y,
            db(n.expected_db),
            db(n.deviation_db),
            db(n.gain_db)
        )),
        None => text.push_str(&format!(
            "Enough: no further reading is expected to raise the highest by more than {} dB.\n",
            db(m.largest_gain_db)
        )),
    }
    for l in &scan.left_out {
        text.push_str(&format!("Not in the map: {l}.\n"));
    }
    text.push_str(&format!("Caution: {SCAN_CAUTION}\n"));
    text
}
