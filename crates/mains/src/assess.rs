//! A whole recording assessed for flicker and voltage change in one pass: faults, severity, d(t), inrush and the verdict.

use std::f64::consts::TAU;
use std::ops::ControlFlow;

use serde::{Deserialize, Serialize};
use signal::SampleSource;

use crate::MainsError;
use crate::flicker::{FlickerMeter, FlickerReading, FlickerSettings, Lamp, PST_INTERVAL_S};
use crate::inrush::{Inrush, InrushMeter, InrushSettings};
use crate::line_drop::{CurrentFlicker, LineDropSettings, PhaseSource};
use crate::record::{Consumer, Finding, FindingKind, Mains, MainsBlock, RecordSetup, Watch, feed};
use crate::voltage_change::{
    ChangeReading, ChangeSettings, Impedance, ShapedChange, SwitchingResult, Verdict, VoltageChangeMeter,
    VoltageLimits, estimate_pst, highest_impedance_ohm, judge, manual_switching, shapes_of,
};

/// What is measured.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case", tag = "from")]
pub enum Basis {
    /// The recorded voltage, as it was at the terminals.
    Voltage,
    /// The recorded current on an impedance behind a clean supply.
    Current {
        /// The impedance.
        impedance: Impedance,
        /// Lag of the current's fundamental, degrees, where no voltage lends its phase.
        lag_deg: f64,
    },
}

/// How a recording is assessed.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct FlickerJob {
    /// The recording.
    pub setup: RecordSetup,
    /// Lamp of the weighting.
    pub lamp: Lamp,
    /// Nominal voltage, V; `None` takes the lamp's where the recorded voltage is near it, and the recorded one where not.
    pub nominal_v: Option<f64>,
    /// What is measured.
    pub basis: Basis,
    /// Kind of equipment: `plain`, `switched` or `attended`.
    pub equipment: String,
    /// The record holds 24 manual switchings: dmax is judged by their procedure.
    pub manual_switching: bool,
}

/// The estimate by shape factors, beside the measurement.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct ShapeEstimate {
    /// Highest severity of any 10 min by the formula.
    pub pst: f64,
    /// The changes it was made of, with form and factor.
    pub changes: Vec<ShapedChange>,
}

/// Everything that was found.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct FlickerAssessment {
    /// What was measured.
    pub basis: Basis,
    /// 100 %, V.
    pub nominal_v: f64,
    /// R.m.s. of the recorded voltage, V, where there is one.
    pub voltage_rms_v: Option<f64>,
    /// Frequency of the mains, Hz.
    pub frequency_hz: f64,
    /// Severity.
    pub flicker: FlickerReading,
    /// Voltage change.
    pub change: ChangeReading,
    /// The estimate by shape factors.
    pub estimate: ShapeEstimate,
    /// Outcome of the procedure for manual switching, where asked for.
    pub switching: Option<SwitchingResult>,
    /// Switchings found in the current.
    pub inrush: Vec<Inrush>,
    /// The limits.
    pub limits: VoltageLimits,
    /// Readings against limits.
    pub verdict: Verdict,
    /// Highest modulus of the supply impedance at which it may be connected, ohm (IEC 61000-3-11), where the readings are
    /// those on a known impedance.
    pub highest_impedance_ohm: Option<f64>,
    /// What was found wrong or has to be said.
    pub findings: Vec<Finding>,
}

/// The beginning of a recording at a glance.
#[derive(Debug, Clone, Copy, PartialEq)]
struct Look {
    rms: f64,
    /// The strongest line between 35 and 75 Hz, Hz, and its share of the power.
    line_hz: f64,
    share: f64,
    /// Width of a line, Hz.
    width_hz: f64,
}

impl Look {
    /// The fundamental carries at least a tenth of the power and lies within 3 % of the nominal frequency.
    fn expect(&self, mains: Mains) -> Result<(), MainsError> {
        let expected_hz = mains.nominal_hz();
        if self.share < LEAST_SHARE {
            return Err(MainsError::NoMainsFrequency {
                what: format!(
                    "no line between 35 and 75 Hz holds more than {:.1} % of the power of the first second",
                    self.share * 100.0
                ),
                expected_hz,
            });
        }
        if (self.line_hz / expected_hz - 1.0).abs() > 0.03 + self.width_hz / expected_hz {
            return Err(MainsError::NoMainsFrequency {
                what: format!("the record's fundamental is near {:.1} Hz", self.line_hz),
                expected_hz,
            });
        }
        Ok(())
    }
}

const LEAST_SHARE: f64 = 0.1;

/// Looks for the mains in a second of a signal.
fn look(samples: &[f64], rate_hz: f64) -> Look {
    let n = samples.len().max(1) as f64;
    let mean = samples.iter().sum::<f64>() / n;
    let power = samples.iter().map(|x| (x - mean).powi(2)).sum::<f64>() / n;
    let step = (rate_hz / 2000.0).floor().max(1.0) as usize;
    let few: Vec<f64> = samples.chunks_exact(step).map(|c| c.iter().sum::<f64>() / step as f64 - mean).collect();
    let few_rate = rate_hz / step as f64;
    let mut seen = Look { rms: power.sqrt(), line_hz: 0.0, share: 0.0, width_hz: 5.0 };
    if power == 0.0 || few.is_empty() {
        return seen;
    }
    let share = |f: f64| {
        let (mut re, mut im, mut weight) = (0.0, 0.0, 0.0);
        for (k, x) in few.iter().enumerate() {
            let w = 0.5 - 0.5 * (TAU * (k as f64 + 0.5) / few.len() as f64).cos();
            let (s, c) = (TAU * f * k as f64 / few_rate).sin_cos();
            re += w * x * c;
            im += w * x * s;
            weight += w;
        }
        2.0 * (re * re + im * im) / (weight * weight) / power
    };
    // A Hann window over a second is wider than the half hertz between trials.
    seen.width_hz = (few_rate / few.len() as f64 / 2.0).clamp(0.25, 5.0);
    let mut f = 35.0;
    while f <= 75.0 {
        let s = share(f);
        if s > seen.share {
            seen.line_hz = f;
            seen.share = s;
        }
        f += seen.width_hz;
    }
    seen
}

/// Keeps the first second of both channels.
struct Beginning {
    frames: usize,
    voltage_v: Vec<f64>,
    current_a: Vec<f64>,
}

/// Ends the pass once enough was read; told apart by its text.
const ENOUGH: &str = "enough was read";

impl Consumer for Beginning {
    fn take(&mut self, block: &MainsBlock<'_>) -> Result<(), MainsError> {
        self.voltage_v.extend(block.voltage_v.iter().take(self.frames.saturating_sub(self.voltage_v.len())));
        self.current_a.extend(block.current_a.iter().take(self.frames.saturating_sub(self.current_a.len())));
        if self.voltage_v.len().max(self.current_a.len()) >= self.frames {
            return Err(MainsError::Source(signal::SourceError { place: String::new(), what: ENOUGH.into() }));
        }
        Ok(())
    }
}

fn beginning(source: &mut dyn SampleSource, setup: &RecordSetup) -> Result<Beginning, MainsError> {
    let mut first = Beginning { frames: setup.rate_hz as usize, voltage_v: Vec::new(), current_a: Vec::new() };
    match feed(source, setup, &mut [&mut first], &mut |_| ControlFlow::Continue(())) {
        Ok(_) => {}
        Err(MainsError::Source(e)) if e.what == ENOUGH => {}
        Err(e) => return Err(e),
    }
    source.rewind()?;
    Ok(first)
}

/// Either way of measuring, behind one face.
enum Meter {
    Voltage { flicker: FlickerMeter, change: VoltageChangeMeter },
    Current(Box<CurrentFlicker>),
}

/// Reads a recording once (after a glance at its first second) and assesses it. `progress` is told the frames read.
pub fn assess_flicker(
    source: &mut dyn SampleSource,
    job: &FlickerJob,
    progress: &mut dyn FnMut(u64) -> ControlFlow<()>,
) -> Result<FlickerAssessment, MainsError> {
    assess_flicker_with(source, job, &mut [], progress)
}

/// The same, feeding further measurements in the same pass.
pub fn assess_flicker_with(
    source: &mut dyn SampleSource,
    job: &FlickerJob,
    also: &mut [&mut dyn Consumer],
    progress: &mut dyn FnMut(u64) -> ControlFlow<()>,
) -> Result<FlickerAssessment, MainsError> {
    let setup = &job.setup;
    // A rate that cannot carry the mains is said before its aliases are taken for a wrong mains frequency.
    if !(setup.rate_hz.is_finite() && setup.rate_hz >= FlickerSettings::LEAST_RATE_HZ) {
        return Err(MainsError::RateTooLow {
            rate_hz: setup.rate_hz,
            needed_hz: FlickerSettings::LEAST_RATE_HZ,
            what: "flicker",
        });
    }
    let limits = VoltageLimits::of(&job.equipment)?;
    let first = beginning(source, setup)?;
    let lamp_v = job.lamp.nominal_v();
    let mut findings = Vec::new();
    if setup.voltage.is_some() {
        let seen = look(&first.voltage_v, setup.rate_hz);
        if seen.rms == 0.0 {
            return Err(MainsError::NoMainsFrequency {
                what: "the voltage stands still over the first second".into(),
                expected_hz: setup.mains.nominal_hz(),
            });
        }
        seen.expect(setup.mains)?;
        findings.extend(scale_remark(seen.rms, lamp_v, job.nominal_v));
    }
    let nominal_v = job.nominal_v.unwrap_or_else(|| match (&job.basis, setup.voltage) {
        (Basis::Voltage, Some(_)) => {
            let rms = look(&first.voltage_v, setup.rate_hz).rms;
            if (rms / lamp_v - 1.0).abs() <= NEAR { lamp_v } else { rms }
        }
        _ => lamp_v,
    });
    let threshold = limits.tmax_threshold_percent.value;
    let mut meter = match &job.basis {
        Basis::Voltage => Meter::Voltage {
            flicker: FlickerMeter::new(&FlickerSettings::new(setup.rate_hz, setup.mains, job.lamp))?,
            change: VoltageChangeMeter::new(
                setup.rate_hz,
                &ChangeSettings { mains: setup.mains, nominal_v, tmax_threshold_percent: threshold },
            )?,
        },
        Basis::Current { impedance, lag_deg } => {
            if setup.current.is_none() {
                return Err(MainsError::MissingChannel { needed: "mains current" });
            }
            // The load may be off at first; a strong line at another frequency is a wrong setting all the same.
            let seen = look(&first.current_a, setup.rate_hz);
            if seen.rms > 0.02 && seen.share >= LEAST_SHARE {
                seen.expect(setup.mains)?;
            }
            let phase = match setup.voltage {
                Some(_) => PhaseSource::Voltage,
                None => PhaseSource::Current { lag_deg: *lag_deg },
            };
            let settings = LineDropSettings {
                rate_hz: setup.rate_hz,
                mains: setup.mains,
                nominal_v,
                impedance: impedance.clone(),
                phase,
            };
            Meter::Current(Box::new(CurrentFlicker::new(&settings, job.lamp, threshold)?))
        }
    };
    drop(first);
    let mut watch = Watch::new(setup);
    let mut inrush = match setup.current {
        Some(_) => Some(InrushMeter::new(&InrushSettings::new(setup.rate_hz, setup.mains))?),
        None => None,
    };
    {
        let mut consumers: Vec<&mut dyn Consumer> = vec![&mut watch];
        match &mut meter {
            Meter::Voltage { flicker, change } => {
                consumers.push(flicker);
                consumers.push(change);
            }
            Meter::Current(both) => consumers.push(both.as_mut()),
        }
        if let Some(i) = &mut inrush {
            consumers.push(i);
        }
        consumers.extend(also.iter_mut().map(|c| &mut **c as &mut dyn Consumer));
        feed(source, setup, &mut consumers, progress)?;
    }
    let watched = watch.finish();
    let relative = matches!(job.basis, Basis::Voltage) && job.nominal_v.is_none();
    findings.extend(watched.findings.into_iter().filter(|f| {
        // Relative changes do not mind the probe's scale; the remark above says what was taken as 100 %. A current that
        // is small or absent is no fault of a flicker record.
        match f.kind {
            FindingKind::ImplausibleVoltage => !relative,
            FindingKind::ImplausibleCurrent => !matches!(job.basis, Basis::Voltage),
            _ => true,
        }
    }));
    let (flicker, change) = match meter {
        Meter::Voltage { flicker, change } => (flicker.finish()?, change.finish()?),
        Meter::Current(both) => both.finish()?,
    };
    let inrush = inrush.map(InrushMeter::finish).unwrap_or_default();
    conclude(job, limits, nominal_v, flicker, change, inrush, findings, watched.voltage_rms_v)
}

/// Within this share of the lamp's voltage the lamp's voltage is the nominal one.
const NEAR: f64 = 0.15;

fn scale_remark(rms_v: f64, lamp_v: f64, nominal_v: Option<f64>) -> Option<Finding> {
    let (wanted, whose) = nominal_v.map_or((lamp_v, "the lamp's"), |v| (v, "the nominal"));
    if (rms_v / wanted - 1.0).abs() <= NEAR {
        return None;
    }
    let taken = if nominal_v.is_some() {
        "percentages are of the nominal voltage as given: check the scale"
    } else {
        "the record's own voltage is taken as 100 %; give --nominal or the scale if that is wrong"
    };
    Some(Finding::remark(
        FindingKind::ImplausibleVoltage,
        format!("the voltage is {rms_v:.4} V r.m.s., not near {whose} {wanted} V: {taken}"),
    ))
}

/// Puts readings together to the assessment.
fn conclude(
    job: &FlickerJob,
    limits: VoltageLimits,
    nominal_v: f64,
    flicker: FlickerReading,
    mut change: ChangeReading,
    inrush: Vec<Inrush>,
    mut findings: Vec<Finding>,
    voltage_rms_v: Option<f64>,
) -> Result<FlickerAssessment, MainsError> {
    let switching = if job.manual_switching {
        // Switching on lowers the voltage; switching off raises it and is not what the procedure looks at.
        let on: Vec<f64> =
            change.changes.iter().filter(|c| c.dmax_percent < 0.0).map(|c| c.dmax_percent.abs()).collect();
        let result = manual_switching(&on).map_err(|_| MainsError::Setting {
            field: "manual switching",
            what: format!("{} drops of the voltage in the record", on.len()),
            expected: "exactly 24, each from one steady second to another".into(),
        })?;
        change.dmax_percent = result.dmax_percent;
        Some(result)
    } else {
        None
    };
    let mut verdict = judge(&limits, &flicker, &change);
    if job.manual_switching {
        for row in &mut verdict.rows {
            let note = match row.quantity.as_str() {
                "dmax_percent" => "mean of 22 of 24 manual switchings",
                "pst" | "plt" => "not applied to manual switching",
                _ => continue,
            };
            row.note = Some(note.into());
            if row.quantity != "dmax_percent" {
                row.passes = None;
            }
        }
        verdict.passes = verdict.rows.iter().all(|r| r.passes != Some(false));
    }
    if !flicker.pst_complete {
        findings.push(Finding::remark(
            FindingKind::ShortRecord,
            format!("the record lasts {:.1} s: a short-term severity needs 600 s", flicker.duration_s),
        ));
    }
    let shapes = shapes_of(&change.changes);
    let mut highest = 0.0f64;
    for k in 0..=(flicker.duration_s / PST_INTERVAL_S) as usize {
        let from = PST_INTERVAL_S * k as f64;
        let inside = change
            .changes
            .iter()
            .zip(&shapes)
            .filter(|(c, _)| (from..from + PST_INTERVAL_S).contains(&c.start_s))
            .map(|(_, s)| s.factor * s.dmax_percent);
        highest = highest.max(estimate_pst(inside, PST_INTERVAL_S));
    }
    let highest_impedance = match &job.basis {
        Basis::Current { impedance, .. } => Some(highest_impedance_ohm(
            &limits,
            impedance.modulus_ohm(),
            flicker.pst,
            flicker.plt,
            change.dc_percent,
            change.dmax_percent,
        ))
        .filter(|z| z.is_finite()),
        Basis::Voltage => None,
    };
    Ok(FlickerAssessment {
        basis: job.basis.clone(),
        nominal_v,
        voltage_rms_v,
        frequency_hz: change.frequency_hz,
        flicker,
        change,
        estimate: ShapeEstimate { pst: highest, changes: shapes },
        switching,
        inrush,
        limits,
        verdict,
        highest_impedance_ohm: highest_impedance,
        findings,
    })
}

/// Assesses a current that was computed, on an impedance behind the clean supply it was computed on (phase 0 at the
/// first sample).
pub fn assess_computed(job: &FlickerJob, supply_v: &[f64], current_a: &[f64]) -> Result<FlickerAssessment, MainsError> {
    let Basis::Current { impedance, .. } = &job.basis else {
        return Err(MainsError::MissingChannel { needed: "mains current" });
    };
    let limits = VoltageLimits::of(&job.equipment)?;
    let nominal_v = job.nominal_v.unwrap_or_else(|| job.lamp.nominal_v());
    let settings = LineDropSettings {
        rate_hz: job.setup.rate_hz,
        mains: job.setup.mains,
        nominal_v,
        impedance: impedance.clone(),
        phase: PhaseSource::Voltage,
    };
    let mut meter = CurrentFlicker::new(&settings, job.lamp, limits.tmax_threshold_percent.value)?;
    let mut inrush = InrushMeter::new(&InrushSettings::new(job.setup.rate_hz, job.setup.mains))?;
    meter.push(current_a, supply_v)?;
    inrush.push(current_a, supply_v);
    let (flicker, change) = meter.finish()?;
    conclude(job, limits, nominal_v, flicker, change, inrush.finish(), Vec::new(), None)
}
