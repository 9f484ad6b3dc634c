/// A junction diode at 27 °C: the usual exponential with series resistance, capacitance, transit time and breakdown.
#[derive(Debug, Clone, PartialEq)]
pub struct DiodeModel {
    /// Saturation current, A (`IS`).
    pub saturation_a: f64,
    /// Emission coefficient (`N`).
    pub emission: f64,
    /// Series resistance, ohm (`RS`).
    pub series_ohm: f64,
    /// Junction capacitance at 0 V, F (`CJO`).
    pub junction_f: f64,
    /// Junction potential, V (`VJ`).
    pub potential_v: f64,
    /// Grading coefficient (`M`).
    pub grading: f64,
    /// Where the forward capacitance becomes linear, as a part of the potential (`FC`).
    pub forward_corner: f64,
    /// Transit time, s (`TT`).
    pub transit_s: f64,
    /// Breakdown voltage, V, positive (`BV`); none where it never breaks down.
    pub breakdown_v: Option<f64>,
    /// Current at the breakdown voltage, A (`IBV`).
    pub breakdown_a: f64,
}

impl Default for DiodeModel {
    fn default() -> Self {
        Self {
            saturation_a: 1e-14,
            emission: 1.0,
            series_ohm: 0.0,
            junction_f: 0.0,
            potential_v: 1.0,
            grading: 0.5,
            forward_corner: 0.5,
            transit_s: 0.0,
            breakdown_v: None,
            breakdown_a: 1e-3,
        }
    }
}

/// A varistor: V = C·|I|^β with the sign of I (IEC 61051-1 has this two-constant form), with optional strays.
#[derive(Debug, Clone, PartialEq)]
pub struct VaristorModel {
    /// Voltage at 1 A, V (`C`).
    pub c_v: f64,
    /// Exponent, between 0 and 1 (`BETA`); 1/β is the usual α.
    pub beta: f64,
    /// Series resistance, ohm (`RS`), which takes over at kiloamperes.
    pub series_ohm: f64,
    /// Series inductance, H (`LS`), of leads and disc.
    pub series_h: f64,
    /// Parallel capacitance, F (`CP`).
    pub parallel_f: f64,
}

impl VaristorModel {
    /// From two points of the clamping curve: currents in A, voltages in V.
    pub fn from_points(low: (f64, f64), high: (f64, f64)) -> Self {
        let beta = (high.1 / low.1).ln() / (high.0 / low.0).ln();
        Self { c_v: low.1 / low.0.powf(beta), beta, series_ohm: 0.0, series_h: 0.0, parallel_f: 0.0 }
    }

    /// The ideal part: V = C·I^β.
    pub fn new(c_v: f64, beta: f64) -> Self {
        Self { c_v, beta, series_ohm: 0.0, series_h: 0.0, parallel_f: 0.0 }
    }
}

/// An avalanche clamp: nothing below its breakdown, a sharp knee, then a dynamic resistance.
///
/// The knee is I = IT·exp((|V| − VBR)/VK). A unidirectional part conducts forward as a diode.
#[derive(Debug, Clone, PartialEq)]
pub struct ClampModel {
    /// Breakdown voltage at the test current, V (`VBR`).
    pub breakdown_v: f64,
    /// Test current, A (`IT`).
    pub test_a: f64,
    /// Dynamic resistance above the knee, ohm (`RD`).
    pub dynamic_ohm: f64,
    /// Width of the knee, V for a factor e of current (`VK`).
    pub knee_v: f64,
    /// Parallel capacitance, F (`CJ`).
    pub parallel_f: f64,
    /// Breaks down both ways (`BI=1`); otherwise forward conduction from the first to the second terminal.
    pub bidirectional: bool,
}

impl ClampModel {
    /// A bidirectional clamp: breakdown at 1 mA, a knee of VBR/500.
    pub fn new(breakdown_v: f64, dynamic_ohm: f64) -> Self {
        Self {
            breakdown_v,
            test_a: 1e-3,
            dynamic_ohm,
            knee_v: (breakdown_v / 500.0).max(0.026),
            parallel_f: 0.0,
            bidirectional: true,
        }
    }
}

/// What makes a switch close.
#[derive(Debug, Clone, PartialEq)]
pub enum SwitchControl {
    /// The voltage between two nodes: closes above `threshold + hysteresis`, opens below `threshold − hysteresis`.
    Voltage {
        /// Positive control node.
        plus: String,
        /// Negative control node.
        minus: String,
        /// Threshold, V (`VT`).
        threshold_v: f64,
        /// Half the width of the hysteresis, V (`VH`).
        hysteresis_v: f64,
        /// State before the control decides (inside the hysteresis at the start).
        initially_closed: bool,
    },
    /// Changes state at each of these times, s, rising.
    Times {
        /// State at time zero.
        initially_closed: bool,
        /// Times of change, s.
        toggle_s: Vec<f64>,
    },
}

/// A switch: two resistances.
#[derive(Debug, Clone, PartialEq)]
pub struct SwitchModel {
    /// Closed, ohm (`RON`).
    pub on_ohm: f64,
    /// Open, ohm (`ROFF`).
    pub off_ohm: f64,
    /// What closes it.
    pub control: SwitchControl,
}
