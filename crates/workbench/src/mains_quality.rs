//! Recordings of mains voltage and current: opened, measured and judged.

use std::path::Path;

use formats::capture::{Capture, CaptureChoices, CaptureInfo, open_capture};
use mains::harmonics::{
    Analyser, Class, Judgement, LargeProduct, Measured, Product, Settings, WaveShape, Waveform, judge, judge_large,
};
use mains::record::{ChannelUse, Finding, FindingKind, Mains, RecordSetup, Watch, Watched, feed};
use mains::supply::{self, SupplyCheck, SupplyShares};
use mains::{MainsError, harmonics};
use serde::{Deserialize, Serialize};

use crate::{OnStage, Stage, WorkError};

/// What a person says of a recording of the mains. Kept with a run, so that it can be measured again in the same way.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct MainsChoices {
    /// Nominal frequency.
    pub mains: Mains,
    /// How the file is to be read (rate, number format).
    #[serde(default)]
    pub capture: CaptureChoices,
    /// Channel of the voltage, by name or number counted from 1. Left out, it is found by unit, name or place.
    #[serde(default)]
    pub voltage: Option<String>,
    /// Channel of the current, likewise.
    #[serde(default)]
    pub current: Option<String>,
    /// Volts for one unit of the voltage channel as the file stores it.
    #[serde(default)]
    pub volts_per_unit: Option<f64>,
    /// Amperes for one unit of the current channel as the file stores it.
    #[serde(default)]
    pub amperes_per_unit: Option<f64>,
    /// Time by which the current channel is late against the voltage channel, s.
    #[serde(default)]
    pub current_late_s: f64,
    /// Left out at the start, s.
    #[serde(default)]
    pub ignore_first_s: f64,
    /// Rated voltage, V; left out, the nearest nominal voltage.
    #[serde(default)]
    pub rated_v: Option<f64>,
}

impl MainsChoices {
    /// Nothing but the nominal frequency is known.
    pub fn new(mains: Mains) -> Self {
        Self {
            mains,
            capture: CaptureChoices::default(),
            voltage: None,
            current: None,
            volts_per_unit: None,
            amperes_per_unit: None,
            current_late_s: 0.0,
            ignore_first_s: 0.0,
            rated_v: None,
        }
    }
}

/// Which of the two quantities a measurement cannot do without.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Needs {
    /// The voltage: a record of one channel is taken as that.
    Voltage,
    /// The current.
    Current,
}

/// A recording ready to be fed to measurements.
#[derive(Debug)]
pub struct MainsRecord {
    /// The open file.
    pub capture: Capture,
    /// Its channels and scales.
    pub setup: RecordSetup,
    /// What was assumed, in sentences.
    pub notes: Vec<String>,
}

/// Opens a recording of the mains and finds its channels. `name` is its own name, where the path is only where it is
/// kept.
pub fn open_mains(path: &Path, name: &str, choices: &MainsChoices, needs: Needs) -> Result<MainsRecord, WorkError> {
    let seen = open_capture(path, &CaptureChoices { channels: Vec::new(), ..choices.capture.clone() })?;
    let rate_hz = seen.rate_hz()?;
    let mut notes = Vec::new();
    let info = seen.info();
    let (voltage, current) = columns(path, name, info, choices, needs, &mut notes)?;
    let use_of = |index: usize, own: Option<f64>, unit: &str, what: &str, notes: &mut Vec<String>| {
        let channel = &info.channels[index];
        if own.is_none() && !channel.scale_known && info.full_scale.is_some() {
            notes.push(format!(
                "the file does not say how many {unit} one count of the {what} is: {} was taken",
                channel.volts_per_unit
            ));
        }
        ChannelUse { index, units_per_count: own.unwrap_or(channel.volts_per_unit) }
    };
    let setup = RecordSetup {
        rate_hz,
        mains: choices.mains,
        voltage: voltage.map(|i| use_of(i, choices.volts_per_unit, "V", "voltage", &mut notes)),
        current: current.map(|i| use_of(i, choices.amperes_per_unit, "A", "current", &mut notes)),
        current_late_s: choices.current_late_s,
        full_scale_counts: info.full_scale,
    };
    notes.extend(info.notes.iter().cloned());
    Ok(MainsRecord { capture: seen, setup, notes })
}

fn find(
    path: &Path,
    name: &str,
    info: &CaptureInfo,
    choices: &MainsChoices,
    wanted: &str,
    field: &'static str,
) -> Result<usize, WorkError> {
    let by_name = info.channels.iter().position(|c| c.name.eq_ignore_ascii_case(wanted.trim()));
    let by_number =
        || wanted.trim().parse::<usize>().ok().filter(|n| (1..=info.channels.len()).contains(n)).map(|n| n - 1);
    // A text's column may also be named by its whole header cell, which its reader knows.
    let by_cell = || {
        let one = CaptureChoices { channels: vec![wanted.to_owned()], ..choices.capture.clone() };
        let found = open_capture(path, &one).ok()?.info().channels.first()?.name.clone();
        info.channels.iter().position(|c| c.name == found)
    };
    by_name.or_else(by_number).or_else(by_cell).ok_or_else(|| {
        let known: Vec<&str> = info.channels.iter().map(|c| c.name.as_str()).collect();
        WorkError::input(
            format!("{name}, {field}"),
            format!("no column `{wanted}`"),
            format!("one of {}, or a number from 1 to {}", known.join(", "), known.len()),
        )
    })
}

/// The channels of voltage and current: as said, else by unit, else by name, else by place.
fn columns(
    path: &Path,
    name: &str,
    info: &CaptureInfo,
    choices: &MainsChoices,
    needs: Needs,
    notes: &mut Vec<String>,
) -> Result<(Option<usize>, Option<usize>), WorkError> {
    let said = |wanted: Option<&String>, field| wanted.map(|w| find(path, name, info, choices, w, field)).transpose();
    let voltage = said(choices.voltage.as_ref(), "--voltage")?;
    let current = said(choices.current.as_ref(), "--current")?;
    if voltage.is_some() && voltage == current {
        return Err(WorkError::input(name, "one column as voltage and current", "a column each"));
    }
    if voltage.is_some() || current.is_some() {
        return Ok((voltage, current));
    }
    let count = info.channels.len();
    let only = |test: &dyn Fn(&str, &str) -> bool| {
        let mut hits =
            (0..count).filter(|i| test(&info.channels[*i].unit, &info.channels[*i].name.to_ascii_lowercase()));
        hits.next().filter(|_| hits.next().is_none())
    };
    let named = |words: [&str; 2], letters: [char; 2], name: &str| {
        words.iter().any(|w| name.contains(w))
            || name.chars().next().is_some_and(|c| letters.contains(&c) && name.len() <= 3)
    };
    let current = only(&|unit, _| unit == "A" || unit == "mA")
        .or_else(|| only(&|_, n| named(["current", "strom"], ['i', 'a'], n)));
    let voltage = only(&|_, n| named(["voltage", "spannung"], ['u', 'v'], n)).filter(|v| Some(*v) != current);
    let (voltage, current) = match (voltage, current, count) {
        (None, None, 1) if needs == Needs::Voltage => (Some(0), None),
        (None, None, 1) => (None, Some(0)),
        (None, None, 2) => (Some(0), Some(1)),
        (None, Some(i), 2) => (Some(1 - i), Some(i)),
        (Some(u), None, 2) => (Some(u), Some(1 - u)),
        (u, i, _) if u.is_some() || i.is_some() => (u, i),
        _ => {
            let known: Vec<&str> = info.channels.iter().map(|c| c.name.as_str()).collect();
            return Err(WorkError::input(
                name,
                format!("{count} channels ({}), and nothing says which is which", known.join(", ")),
                "--voltage and --current with a name or a number",
            ));
        }
    };
    let word = |i: Option<usize>| i.map_or("none".to_owned(), |i| format!("`{}`", info.channels[i].name));
    notes.push(format!("voltage: {}, current: {}", word(voltage), word(current)));
    Ok((voltage, current))
}

/// What the recording is held against.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum HarmonicRules {
    /// IEC 61000-3-2.
    Product(Product),
    /// IEC 61000-3-12.
    Large(LargeProduct),
}

/// What lies between the orders, of the current.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct BetweenOrders {
    /// Between this order and the next.
    pub above_order: usize,
    /// Interharmonic group, mean, A.
    pub group_average_a: f64,
    /// Interharmonic group, highest window, A.
    pub group_maximum_a: f64,
    /// Interharmonic centred sub-group, mean, A.
    pub centred_subgroup_average_a: f64,
    /// Interharmonic centred sub-group, highest window, A.
    pub centred_subgroup_maximum_a: f64,
}

/// A recording measured and judged.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct HarmonicsResult {
    /// Mean mains frequency, Hz.
    pub fundamental_hz: f64,
    /// Lowest and highest of any window, Hz.
    pub frequency_range_hz: [f64; 2],
    /// Sampling rate, Hz.
    pub rate_hz: f64,
    /// Length of the record, s.
    pub record_s: f64,
    /// Windows of 10 or 12 cycles, without gaps.
    pub windows: usize,
    /// Their length together, s.
    pub observed_s: f64,
    /// Largest error of the interpolation between samples, % of an order.
    pub interpolation_error_percent: f64,
    /// The judgement.
    #[serde(flatten)]
    pub judgement: Judgement,
    /// Mean of the sub-groups of orders 1 to 40, A.
    pub subgroup_average_a: Vec<f64>,
    /// What lies between the orders.
    pub between_orders: Vec<BetweenOrders>,
    /// The supply, where the voltage was recorded.
    pub supply: Option<SupplyCheck>,
    /// How much of the distortion the supply explains.
    pub supply_share: Option<SupplyShares>,
    /// R.m.s. of the voltage over the record, V.
    pub voltage_rms_v: Option<f64>,
    /// Largest magnitude of the current, A.
    pub current_peak_a: Option<f64>,
    /// Two cycles of the worst window.
    pub waveform: Option<Waveform>,
    /// Where in the half cycle the current flows (lighting up to 25 W).
    pub wave_shape: Option<WaveShape>,
    /// What was assumed in reading the file.
    pub notes: Vec<String>,
}

fn mains_error(name: &str) -> impl Fn(MainsError) -> WorkError + '_ {
    move |source| WorkError::Mains { file: name.to_owned(), source }
}

/// Measures the harmonic currents of a recording and holds them against the rules.
pub fn measure_harmonics(
    path: &Path,
    name: &str,
    choices: &MainsChoices,
    rules: &HarmonicRules,
    on_stage: &mut OnStage<'_>,
) -> Result<HarmonicsResult, WorkError> {
    let mut record = open_mains(path, name, choices, Needs::Current)?;
    let wave_shape = matches!(rules, HarmonicRules::Product(p) if p.class == Class::C);
    let settings = Settings { record: record.setup, ignore_first_s: choices.ignore_first_s, wave_shape };
    let mut analyser = Analyser::new(settings).map_err(mains_error(name))?;
    let mut watch = Watch::new(&record.setup);
    let total = record.capture.info().frames;
    feed(&mut record.capture, &record.setup, &mut [&mut analyser, &mut watch], &mut |done| {
        on_stage(&Stage { what: "measuring", fraction: total.map(|t| done as f64 / t.max(1) as f64) })
    })
    .map_err(mains_error(name))?;
    let measured = analyser.finish().map_err(mains_error(name))?;
    harmonics_result(&measured, watch.finish(), rules, choices, &record).map_err(mains_error(name))
}

/// Puts measurement, watch and supply together.
pub fn harmonics_result(
    measured: &Measured,
    watched: Watched,
    rules: &HarmonicRules,
    choices: &MainsChoices,
    record: &MainsRecord,
) -> Result<HarmonicsResult, MainsError> {
    let judgement = match rules {
        HarmonicRules::Product(p) => judge(measured, p)?,
        HarmonicRules::Large(p) => judge_large(measured, p)?,
    };
    let crest_counts = matches!(rules, HarmonicRules::Product(p) if matches!(p.class, Class::C | Class::D));
    let supply = supply::check(measured, choices.rated_v, crest_counts);
    let mut findings: Vec<Finding> = watched.findings;
    if let Some(s) = &supply {
        findings.extend(s.findings());
        // A wrong probe scale says all there is to say of the voltage.
        if findings.iter().any(|f| f.kind == FindingKind::ImplausibleVoltage) {
            findings.retain(|f| f.kind != FindingKind::UnsuitableSupply);
        }
    }
    let between_orders = (1..harmonics::HIGHEST_ORDER)
        .map(|h| BetweenOrders {
            above_order: h,
            group_average_a: measured.interharmonic_group_a[h][0],
            group_maximum_a: measured.interharmonic_group_a[h][1],
            centred_subgroup_average_a: measured.interharmonic_subgroup_a[h][0],
            centred_subgroup_maximum_a: measured.interharmonic_subgroup_a[h][1],
        })
        .collect();
    Ok(HarmonicsResult {
        fundamental_hz: measured.frequency.mean_hz,
        frequency_range_hz: [measured.frequency.lowest_hz, measured.frequency.highest_hz],
        rate_hz: record.setup.rate_hz,
        record_s: measured.record_s,
        windows: measured.windows,
        observed_s: measured.observed_s,
        interpolation_error_percent: measured.interpolation_error_percent,
        judgement: judgement.with_findings(findings),
        subgroup_average_a: measured.subgroup_a[1..].iter().map(|p| p[0]).collect(),
        between_orders,
        supply_share: supply::shares(measured),
        supply,
        voltage_rms_v: watched.voltage_rms_v,
        current_peak_a: watched.current_peak_a,
        waveform: measured.waveform.clone(),
        wave_shape: measured.wave_shape,
        notes: record.notes.clone(),
    })
}
