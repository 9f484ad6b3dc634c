use std::f64::consts::TAU;

/// The course of a source over time. Values in V or A, times in s.
#[derive(Debug, Clone, PartialEq)]
pub enum Waveform {
    /// Constant.
    Dc(f64),
    /// `SIN(VO VA FREQ TD THETA PHASE)`: offset + amplitude·sin(2πf(t − delay) + phase)·exp(−(t − delay)·damping).
    Sine {
        /// Offset.
        offset: f64,
        /// Amplitude (peak).
        amplitude: f64,
        /// Frequency, Hz.
        frequency_hz: f64,
        /// Delay, s; before it the value at phase stands still.
        delay_s: f64,
        /// Damping, 1/s.
        damping_per_s: f64,
        /// Phase, degrees.
        phase_deg: f64,
    },
    /// `PULSE(V1 V2 TD TR TF PW PER)`.
    Pulse {
        /// Value at rest.
        low: f64,
        /// Value of the pulse.
        high: f64,
        /// Delay, s.
        delay_s: f64,
        /// Rise, s.
        rise_s: f64,
        /// Fall, s.
        fall_s: f64,
        /// Width at the top, s.
        width_s: f64,
        /// Period, s; infinite for one pulse.
        period_s: f64,
    },
    /// `EXP(V1 V2 TD1 TAU1 TD2 TAU2)`: rises from `from` to `to`, then back.
    Exponential {
        /// Value at rest.
        from: f64,
        /// Value aimed at.
        to: f64,
        /// Start of the rise, s.
        rise_delay_s: f64,
        /// Time constant of the rise, s.
        rise_s: f64,
        /// Start of the fall, s.
        fall_delay_s: f64,
        /// Time constant of the fall, s.
        fall_s: f64,
    },
    /// amplitude·(exp(−(t − delay)/fall) − exp(−(t − delay)/rise)) after the delay: surges and bursts.
    DoubleExponential {
        /// Factor before the bracket; the peak is lower.
        amplitude: f64,
        /// Delay, s.
        delay_s: f64,
        /// Slow time constant, s.
        fall_s: f64,
        /// Fast time constant, s.
        rise_s: f64,
    },
    /// `PWL(T1 V1 T2 V2 …)`: straight lines; before the first and after the last point the value stands still.
    PiecewiseLinear {
        /// Times, s, rising, and values.
        points: Vec<(f64, f64)>,
    },
    /// Sum of waveforms: mains with harmonics, a surge on mains.
    Sum(Vec<Waveform>),
}

impl Waveform {
    /// The value at a time.
    pub fn at(&self, time_s: f64) -> f64 {
        match self {
            Self::Dc(value) => *value,
            Self::Sine { offset, amplitude, frequency_hz, delay_s, damping_per_s, phase_deg } => {
                let phase = phase_deg.to_radians();
                let t = time_s - delay_s;
                if t <= 0.0 {
                    offset + amplitude * phase.sin()
                } else {
                    offset + amplitude * (TAU * frequency_hz * t + phase).sin() * (-t * damping_per_s).exp()
                }
            }
            Self::Pulse { low, high, delay_s, rise_s, fall_s, width_s, period_s } => {
                let mut t = time_s - delay_s;
                if t < 0.0 {
                    return *low;
                }
                if period_s.is_finite() && *period_s > 0.0 {
                    t %= period_s;
                }
                if t < *rise_s {
                    low + (high - low) * t / rise_s
                } else if t <= rise_s + width_s {
                    *high
                } else if t < rise_s + width_s + fall_s {
                    high + (low - high) * (t - rise_s - width_s) / fall_s
                } else {
                    *low
                }
            }
            Self::Exponential { from, to, rise_delay_s, rise_s, fall_delay_s, fall_s } => {
                let mut v = *from;
                if time_s > *rise_delay_s {
                    v -= (to - from) * (-(time_s - rise_delay_s) / rise_s).exp_m1();
                }
                if time_s > *fall_delay_s {
                    v -= (from - to) * (-(time_s - fall_delay_s) / fall_s).exp_m1();
                }
                v
            }
            Self::DoubleExponential { amplitude, delay_s, fall_s, rise_s } => {
                let t = time_s - delay_s;
                if t <= 0.0 { 0.0 } else { amplitude * ((-t / fall_s).exp() - (-t / rise_s).exp()) }
            }
            Self::PiecewiseLinear { points } => {
                let i = points.partition_point(|p| p.0 <= time_s);
                if i == 0 {
                    points.first().map_or(0.0, |p| p.1)
                } else if i == points.len() {
                    points[i - 1].1
                } else {
                    let ((t0, v0), (t1, v1)) = (points[i - 1], points[i]);
                    v0 + (v1 - v0) * (time_s - t0) / (t1 - t0)
                }
            }
            Self::Sum(parts) => parts.iter().map(|p| p.at(time_s)).sum(),
        }
    }

    /// The next corner strictly after a time, s; infinite where there is none.
    pub fn next_corner(&self, after_s: f64) -> f64 {
        // Corners closer than rounding to the present time are behind us.
        let later = |t: f64| if t > after_s * (1.0 + 1e-14) + 1e-300 { t } else { f64::INFINITY };
        match self {
            Self::Dc(_) => f64::INFINITY,
            Self::Sine { delay_s, .. } | Self::DoubleExponential { delay_s, .. } => later(*delay_s),
            Self::Pulse { delay_s, rise_s, fall_s, width_s, period_s, .. } => {
                let periods = if period_s.is_finite() && *period_s > 0.0 && after_s > *delay_s {
                    ((after_s - delay_s) / period_s).floor()
                } else {
                    0.0
                };
                let mut next = f64::INFINITY;
                for k in 0..2 {
                    let start = delay_s + if period_s.is_finite() { (periods + f64::from(k)) * period_s } else { 0.0 };
                    for corner in [0.0, *rise_s, rise_s + width_s, rise_s + width_s + fall_s] {
                        next = next.min(later(start + corner));
                    }
                }
                next
            }
            Self::Exponential { rise_delay_s, fall_delay_s, .. } => later(*rise_delay_s).min(later(*fall_delay_s)),
            Self::PiecewiseLinear { points } => {
                let i = points.partition_point(|p| !later(p.0).is_finite());
                points.get(i).map_or(f64::INFINITY, |p| p.0)
            }
            Self::Sum(parts) => parts.iter().map(|p| p.next_corner(after_s)).fold(f64::INFINITY, f64::min),
        }
    }

    /// A rise or fall of zero becomes the output step, as the card syntax has it.
    pub(crate) fn with_step(&self, step_s: f64) -> Self {
        let mut out = self.clone();
        match &mut out {
            Self::Pulse { rise_s, fall_s, .. } => {
                for t in [rise_s, fall_s] {
                    if *t == 0.0 {
                        *t = step_s;
                    }
                }
            }
            Self::Sum(parts) => parts.iter_mut().for_each(|p| *p = p.with_step(step_s)),
            _ => {}
        }
        out
    }

    /// The shortest time in which the waveform changes by itself, s; bounds the step so that nothing is stepped over.
    pub(crate) fn fastest(&self) -> f64 {
        match self {
            Self::Dc(_) | Self::PiecewiseLinear { .. } | Self::Pulse { .. } => f64::INFINITY,
            Self::Sine { frequency_hz, .. } => 1.0 / (20.0 * frequency_hz),
            // Error control finds the scale after the corner.
            Self::Exponential { .. } | Self::DoubleExponential { .. } => f64::INFINITY,
            Self::Sum(parts) => parts.iter().map(Self::fastest).fold(f64::INFINITY, f64::min),
        }
    }

    pub(crate) fn fault(&self) -> Option<String> {
        let all_finite = |values: &[f64]| values.iter().all(|v| v.is_finite());
        let bad = |what: &str| Some(what.to_owned());
        match self {
            Self::Dc(v) if !v.is_finite() => bad("the source's value is no number"),
            Self::Sine { offset, amplitude, frequency_hz, delay_s, damping_per_s, phase_deg } => {
                if !all_finite(&[*offset, *amplitude, *frequency_hz, *delay_s, *damping_per_s, *phase_deg]) {
                    bad("the sine has a value that is no number")
                } else if *frequency_hz <= 0.0 {
                    bad("the sine's frequency is not above zero")
                } else {
                    None
                }
            }
            Self::Pulse { rise_s, fall_s, width_s, period_s, low, high, delay_s } => {
                if !all_finite(&[*low, *high, *delay_s, *rise_s, *fall_s]) || width_s.is_nan() || period_s.is_nan() {
                    bad("the pulse has a value that is no number")
                } else if *rise_s < 0.0 || *fall_s < 0.0 || *width_s < 0.0 || *period_s <= 0.0 {
                    bad("a time of the pulse is negative")
                } else if rise_s + fall_s + width_s > *period_s * (1.0 + 1e-12) {
                    bad("the pulse is longer than its period")
                } else {
                    None
                }
            }
            Self::Exponential { rise_s, fall_s, .. } if !(*rise_s > 0.0 && *fall_s > 0.0) => {
                bad("a time constant is not above zero")
            }
            Self::DoubleExponential { rise_s, fall_s, .. } if !(*rise_s > 0.0 && *fall_s > *rise_s) => bad(
                "the time constants of the double exponential are not above zero with the fall longer than the rise",
            ),
            Self::PiecewiseLinear { points } => {
                if points.is_empty() {
                    return bad("the line has no points");
                }
                if !points.iter().all(|p| p.0.is_finite() && p.1.is_finite()) {
                    return bad("the line has a value that is no number");
                }
                points
                    .windows(2)
                    .find(|w| w[1].0 <= w[0].0)
                    .map(|w| format!("the line's times do not rise: {} s is followed by {} s", w[0].0, w[1].0))
            }
            Self::Sum(parts) => parts.iter().find_map(Self::fault),
            _ => None,
        }
    }
}

/// An independent source: its course over time, and its part in an AC analysis.
#[derive(Debug, Clone, PartialEq)]
pub struct Source {
    /// Course over time.
    pub waveform: Waveform,
    /// Value before the transient begins, where it was given beside the waveform (`DC 5 SIN(…)`).
    ///
    /// The operating point of a transient takes the waveform at time zero; this one serves the AC analysis of networks
    /// with nonlinear parts.
    pub dc: Option<f64>,
    /// Magnitude in the AC analysis, V or A.
    pub ac_magnitude: f64,
    /// Phase in the AC analysis, degrees.
    pub ac_phase_deg: f64,
}

impl Source {
    /// Constant, with no part in an AC analysis.
    pub fn dc(value: f64) -> Self {
        Self { waveform: Waveform::Dc(value), dc: None, ac_magnitude: 0.0, ac_phase_deg: 0.0 }
    }

    /// Only in an AC analysis.
    pub fn ac(magnitude: f64, phase_deg: f64) -> Self {
        Self { waveform: Waveform::Dc(0.0), dc: None, ac_magnitude: magnitude, ac_phase_deg: phase_deg }
    }

    /// A course over time, with no part in an AC analysis.
    pub fn wave(waveform: Waveform) -> Self {
        Self { waveform, dc: None, ac_magnitude: 0.0, ac_phase_deg: 0.0 }
    }

    /// The value for an operating point outside a transient.
    pub fn dc_value(&self) -> f64 {
        self.dc.unwrap_or_else(|| self.waveform.at(0.0))
    }
}
