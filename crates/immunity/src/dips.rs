//! Hold-up of a supply through voltage dips: rectifier, storage capacitor and a load of constant power as a circuit; the
//! closed form beside it; what capacitance is missing, and the current when the mains comes back.

use std::ops::ControlFlow;
use std::sync::LazyLock;

use circuit::{
    CircuitError, DiodeModel, Netlist, Output, Probe, Source, StepView, SwitchControl, SwitchModel, TransientOptions,
    Waveform, transient_with,
};
use serde::{Deserialize, Serialize};
use standards::Known;

/// A dip of the standards.
#[derive(Debug, Clone, Deserialize, Serialize)]
#[serde(deny_unknown_fields)]
pub struct Dip {
    /// `class-2`, `class-3` of IEC 61000-4-11, `alarm`.
    pub set: String,
    /// Voltage during the dip, % of the rated one.
    pub residual_percent: f64,
    /// Length at 50 Hz, cycles.
    pub cycles_50: f64,
    /// Length at 60 Hz, cycles.
    pub cycles_60: f64,
    /// Standard.
    pub source: String,
    /// How it is known.
    pub known: Known,
}

impl Dip {
    /// Length at a mains frequency, s.
    pub fn duration_s(&self, mains_hz: f64) -> f64 {
        if mains_hz > 55.0 { self.cycles_60 / mains_hz } else { self.cycles_50 / mains_hz }
    }
}

#[derive(Deserialize)]
struct File {
    dip: Vec<Dip>,
}

static DIPS: LazyLock<Vec<Dip>> = LazyLock::new(|| {
    // Part of the program; a test reads it.
    let file: File =
        toml::from_str(include_str!("../data/dips.toml")).unwrap_or_else(|error| panic!("built-in dip data: {error}"));
    file.dip
});

/// The dips of the standards.
pub fn dips() -> &'static [Dip] {
    &DIPS
}

/// A supply: bridge rectifier, storage capacitor, converter that draws constant power down to its drop-out.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Supply {
    /// Mains, V rms.
    pub mains_v: f64,
    /// Mains frequency, Hz.
    pub mains_hz: f64,
    /// Storage capacitor, F.
    pub capacitance_f: f64,
    /// Power drawn from the capacitor (output power over the converter's efficiency), W.
    pub power_w: f64,
    /// Voltage on the capacitor below which the product stumbles, V.
    pub dropout_v: f64,
    /// Resistance from the mains to the capacitor (mains, filter, inrush limiter warm, capacitor), ohm.
    pub source_ohm: f64,
}

/// One dip as it is to be applied.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Event {
    /// Voltage during the dip, % of the rated one.
    pub residual_percent: f64,
    /// Length, s.
    pub duration_s: f64,
    /// Angle of the mains at which it begins, degrees after a rising zero.
    pub angle_deg: f64,
}

/// What a dip does.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Response {
    /// The dip.
    pub event: Event,
    /// The product keeps running.
    pub held: bool,
    /// Time from the beginning of the dip to the drop-out, s; none where it holds.
    pub dropout_after_s: Option<f64>,
    /// Lowest voltage on the capacitor until the end of the dip or the drop-out, V.
    pub lowest_v: f64,
    /// Voltage on the capacitor when the dip begins, V.
    pub start_v: f64,
    /// Hold-up from there without any mains by energy alone, `C (V² − Vmin²)/(2 P)`, s.
    pub energy_holdup_s: f64,
    /// Highest mains current while running undisturbed, A.
    pub running_peak_a: f64,
    /// Highest mains current after the dip, at the worst angle for its return (the crest), A.
    pub return_peak_a: f64,
    /// Integral of the square of the first surge of that current, A²s.
    pub return_i2t_a2s: f64,
    /// The same peak from an empty capacitor, A: after a long interruption.
    pub empty_peak_a: f64,
}

/// A supply that cannot be computed.
#[derive(Debug, thiserror::Error)]
pub enum DipError {
    /// A value that makes no sense.
    #[error("{field}: {found}; expected {expected}")]
    Input {
        /// Which.
        field: &'static str,
        /// What it was.
        found: String,
        /// What would do.
        expected: &'static str,
    },
    /// The circuit could not be solved.
    #[error("the supply's circuit: {0}")]
    Circuit(#[from] CircuitError),
    /// The circuit could not be written.
    #[error("the supply's circuit: {0}")]
    Netlist(#[from] circuit::NetlistError),
}

fn input<T>(field: &'static str, found: impl ToString, expected: &'static str) -> Result<T, DipError> {
    Err(DipError::Input { field, found: found.to_string(), expected })
}

/// A silicon rectifier: 0.9 V at 1 A (typical of 1 A to 3 A parts, from memory).
fn rectifier() -> DiodeModel {
    DiodeModel { saturation_a: 1e-9, emission: 1.7, series_ohm: 0.02, ..DiodeModel::default() }
}

impl Supply {
    /// Crest of the mains, V.
    pub fn crest_v(&self) -> f64 {
        self.mains_v * std::f64::consts::SQRT_2
    }

    /// Hold-up by energy alone from a voltage on the capacitor, s.
    pub fn energy_holdup_s(&self, from_v: f64) -> f64 {
        (0.5 * self.capacitance_f * (from_v * from_v - self.dropout_v * self.dropout_v) / self.power_w).max(0.0)
    }

    /// Checks the values.
    ///
    /// # Errors
    /// Names the one that makes no sense.
    pub fn check(&self) -> Result<(), DipError> {
        for (field, v) in [
            ("mains", self.mains_v),
            ("mains frequency", self.mains_hz),
            ("capacitance", self.capacitance_f),
            ("power", self.power_w),
            ("drop-out", self.dropout_v),
            ("source resistance", self.source_ohm),
        ] {
            if !(v.is_finite() && v > 0.0) {
                return input(field, v, "a number above zero");
            }
        }
        if self.dropout_v >= self.crest_v() - 2.0 {
            return input("drop-out", self.dropout_v, "less than the crest of the mains");
        }
        Ok(())
    }

    /// The circuit: mains (full until `begin_s`, residual until `end_s`, full again), resistance, bridge, capacitor, load.
    ///
    /// # Errors
    /// Values the netlist refuses.
    pub fn circuit(&self, residual: f64, begin_s: f64, end_s: f64, phase_deg: f64) -> Result<Netlist, DipError> {
        let sine = |amplitude: f64| Source {
            waveform: Waveform::Sine {
                offset: 0.0,
                amplitude,
                frequency_hz: self.mains_hz,
                delay_s: 0.0,
                damping_per_s: 0.0,
                phase_deg,
            },
            ..Source::dc(0.0)
        };
        let switch = |initially_closed| SwitchModel {
            on_ohm: 1e-3,
            off_ohm: 1e8,
            control: SwitchControl::Times { initially_closed, toggle_s: vec![begin_s, end_s] },
        };
        let mut net = Netlist::new();
        net.voltage_source("v_full", "full", "return", sine(self.crest_v()))
            .voltage_source("v_residual", "residual", "return", sine(self.crest_v() * residual))
            .switch("s_full", "full", "line", switch(true))
            .switch("s_residual", "residual", "line", switch(false))
            .resistor("r_source", "line", "ac", self.source_ohm)
            .diode("d1", "ac", "plus", rectifier())
            .diode("d2", "return", "plus", rectifier())
            .diode("d3", "0", "ac", rectifier())
            .diode("d4", "0", "return", rectifier())
            .resistor("r_hold", "return", "0", 1e7);
        net.charged_capacitor("c_store", "plus", "0", self.capacitance_f, self.crest_v() - 2.0);
        // Constant power; below the drop-out the converter is off, with a slope over a hundredth of that voltage.
        net.behavioural_current(
            "b_load",
            "plus",
            "0",
            &format!(
                "{}/max(v(plus),{})*min(1,max(0,(v(plus)-{})/{}))",
                self.power_w,
                0.5 * self.dropout_v,
                0.98 * self.dropout_v,
                0.01 * self.dropout_v
            ),
        )?;
        net.initial_voltage("plus", self.crest_v() - 2.0);
        Ok(net)
    }

    /// What a dip does to the supply, from its steady state.
    ///
    /// # Errors
    /// Values that make no sense, or a circuit that cannot be solved.
    pub fn response(&self, event: &Event) -> Result<Response, DipError> {
        self.check()?;
        if !(0.0..100.0).contains(&event.residual_percent) {
            return input("residual voltage", event.residual_percent, "0 % to below 100 %");
        }
        if !(event.duration_s.is_finite() && event.duration_s > 0.0 && event.angle_deg.is_finite()) {
            return input("length of the dip", event.duration_s, "a time above zero");
        }
        const WARM_UP: f64 = 6.0;
        let period = 1.0 / self.mains_hz;
        let begin = (WARM_UP + event.angle_deg.rem_euclid(360.0) / 360.0) * period;
        let end = begin + event.duration_s;
        // A long dip comes to its own steady state: what happens after half a second with mains left is what goes on. The rest
        // of the time is only waited for where the capacitor discharges.
        let settled = event.residual_percent > 0.0 && event.duration_s > 0.5 + 10.0 * period;
        let watched_end = if settled { begin + 0.5 } else { end };
        let net = self.circuit(event.residual_percent / 100.0, begin, watched_end, 0.0)?;
        let store = Probe::parse(&net, "v(plus)")?;
        let mains = Probe::parse(&net, "i(r_source)")?;
        let step = period / 400.0;
        let options = TransientOptions {
            use_initial_conditions: true,
            output: Output::Steps,
            max_step_s: Some(step),
            ..TransientOptions::new(step, watched_end)
        };
        let (mut start_v, mut lowest, mut running, mut failed) = (0.0, f64::INFINITY, 0.0f64, None);
        let mut last = (0.0, 0.0);
        let mut observer = |view: &StepView<'_>| {
            let (t, v, i) = (view.time_s, view.probe(store), view.probe(mains));
            if t <= begin {
                start_v = v;
                if t > begin - 2.0 * period {
                    running = running.max(i.abs());
                }
            } else {
                lowest = lowest.min(v);
                if v < self.dropout_v && failed.is_none() {
                    let (t0, v0): (f64, f64) = last;
                    let part = if v0 > v { ((v0 - self.dropout_v) / (v0 - v)).clamp(0.0, 1.0) } else { 1.0 };
                    failed = Some(t0 + part * (t - t0) - begin);
                    return ControlFlow::Break(());
                }
            }
            last = (t, v);
            ControlFlow::Continue(())
        };
        transient_with(&net, &options, &mut observer)?;
        let lowest = lowest.min(start_v).max(if failed.is_some() { self.dropout_v } else { 0.0 });
        let (return_peak_a, return_i2t_a2s) = self.inrush(lowest)?;
        let (empty_peak_a, _) = self.inrush(0.0)?;
        Ok(Response {
            event: *event,
            held: failed.is_none(),
            dropout_after_s: failed,
            lowest_v: lowest,
            start_v,
            energy_holdup_s: self.energy_holdup_s(start_v),
            running_peak_a: running,
            return_peak_a,
            return_i2t_a2s,
            empty_peak_a,
        })
    }

    /// Peak current (A) and its I²t over half a cycle (A²s) when the mains comes back at its crest with a voltage left on the
    /// capacitor.
    fn inrush(&self, left_v: f64) -> Result<(f64, f64), DipError> {
        let period = 1.0 / self.mains_hz;
        let mut net = self.circuit(1.0, 10.0 * period, 11.0 * period, 90.0)?;
        let store = net.find("c_store").expect("the capacitor was put there");
        let mut fresh = Netlist::new();
        // The same network with another voltage on the capacitor.
        for (id, e) in net.elements().iter().enumerate() {
            let (a, b) = (&net.node_names()[e.a.index()], &net.node_names()[e.b.index()]);
            if id == store.index() {
                fresh.charged_capacitor("c_store", a, b, self.capacitance_f, left_v);
            } else if e.name == "b_load" {
                fresh.resistor("r_load", a, b, self.crest_v().powi(2) / self.power_w);
            } else {
                fresh.add(&e.name, a, b, e.kind.clone());
            }
        }
        fresh.initial_voltage("plus", left_v);
        net = fresh;
        let mains = Probe::parse(&net, "i(r_source)")?;
        let options = TransientOptions {
            use_initial_conditions: true,
            output: Output::Steps,
            ..TransientOptions::new(period / 2e4, 0.5 * period)
        };
        let (mut peak, mut square, mut last) = (0.0f64, 0.0, (0.0, 0.0));
        let mut observer = |view: &StepView<'_>| {
            let (t, i): (f64, f64) = (view.time_s, view.probe(mains));
            peak = peak.max(i.abs());
            let (t0, i0): (f64, f64) = last;
            square += 0.5 * (i * i + i0 * i0) * (t - t0);
            last = (t, i);
            ControlFlow::Continue(())
        };
        transient_with(&net, &options, &mut observer)?;
        Ok((peak, square))
    }

    /// Smallest capacitance with which the supply holds through a dip, F; none where no capacitor would do (the dip leaves too
    /// little voltage for too long).
    ///
    /// # Errors
    /// As [`Supply::response`].
    pub fn needed_capacitance_f(&self, event: &Event) -> Result<Option<f64>, DipError> {
        let holds = |c: f64| Ok::<bool, DipError>(Self { capacitance_f: c, ..*self }.response(event)?.held);
        // By energy, from the crest: a first guess.
        let guess = 2.0 * self.power_w * event.duration_s / (self.crest_v().powi(2) - self.dropout_v.powi(2));
        let (mut low, mut high) = (1e-3 * guess, guess.max(self.capacitance_f));
        let mut tries = 0;
        while !holds(high)? {
            low = high;
            high *= 2.0;
            tries += 1;
            if high > 1.0 || tries > 20 {
                return Ok(None);
            }
        }
        for _ in 0..14 {
            let middle = (low * high).sqrt();
            if holds(middle)? { high = middle } else { low = middle }
        }
        Ok(Some(high))
    }
}

/// Capacitance over power (F/W) from the voltage on the capacitor at two moments without mains:
/// `C/P = 2 (t2 − t1)/(V1² − V2²)`. Points are (s, V).
///
/// # Errors
/// Points that do not fall.
pub fn capacitance_per_watt(first: (f64, f64), second: (f64, f64)) -> Result<f64, DipError> {
    let ((t1, v1), (t2, v2)) = (first, second);
    if !(t2 > t1 && v1 > v2 && v2 > 0.0 && [t1, t2, v1, v2].iter().all(|v| v.is_finite())) {
        return input(
            "measured points",
            format!("{v1} V at {t1} s, {v2} V at {t2} s"),
            "a later time with a lower voltage above zero",
        );
    }
    Ok(2.0 * (t2 - t1) / (v1 * v1 - v2 * v2))
}
