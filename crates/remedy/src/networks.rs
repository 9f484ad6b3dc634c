//! Artificial mains networks of CISPR 16-1-2: published impedance and tolerance, the usual circuit, checks of a network
//! of one's own, and what it does to earth.
//!
//! Nominal impedance of each conductor to earth at the product's terminal: 50 Ω beside (R + jωL). Tolerance ±20 % in
//! magnitude, ±11.5° in phase (CISPR 16-1-2; elements and tolerances from memory, impedances computed from them).

use std::f64::consts::TAU;

use num_complex::Complex64;
use serde::{Deserialize, Serialize};

use crate::RemedyError;
use crate::measured::MeasuredImpedance;

/// Allowed departure of the magnitude, as a share (CISPR 16-1-2, from memory).
pub const MAGNITUDE_TOLERANCE: f64 = 0.20;
/// Allowed departure of the phase, degrees (CISPR 16-1-2, from memory).
pub const PHASE_TOLERANCE_DEG: f64 = 11.5;

/// Which published network.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Default, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum NetworkKind {
    /// 50 Ω/50 µH + 5 Ω, 9 kHz to 150 kHz, usable to 30 MHz.
    #[serde(rename = "50u5")]
    Fifty50u5,
    /// 50 Ω/50 µH, 150 kHz to 30 MHz.
    #[default]
    #[serde(rename = "50u")]
    Fifty50u,
    /// 50 Ω/5 µH + 1 Ω, 150 kHz to 108 MHz.
    #[serde(rename = "5u1")]
    Fifty5u1,
}

impl NetworkKind {
    /// All three.
    pub const ALL: [Self; 3] = [Self::Fifty50u5, Self::Fifty50u, Self::Fifty5u1];

    /// Short name in files and on the command line.
    pub const fn key(self) -> &'static str {
        match self {
            Self::Fifty50u5 => "50u5",
            Self::Fifty50u => "50u",
            Self::Fifty5u1 => "5u1",
        }
    }

    /// As the standard names it.
    pub const fn name(self) -> &'static str {
        match self {
            Self::Fifty50u5 => "50 Ω/50 µH + 5 Ω",
            Self::Fifty50u => "50 Ω/50 µH",
            Self::Fifty5u1 => "50 Ω/5 µH + 1 Ω",
        }
    }

    /// Inductance (H), resistance (Ω) in series with it.
    pub const fn elements(self) -> (f64, f64) {
        match self {
            Self::Fifty50u5 => (50e-6, 5.0),
            Self::Fifty50u => (50e-6, 0.0),
            Self::Fifty5u1 => (5e-6, 1.0),
        }
    }

    /// Where it is specified, Hz.
    pub const fn range_hz(self) -> (f64, f64) {
        match self {
            Self::Fifty50u5 => (9e3, 30e6),
            Self::Fifty50u => (150e3, 30e6),
            Self::Fifty5u1 => (150e3, 108e6),
        }
    }

    /// Published impedance of one conductor to earth at the product's terminal, Ω.
    pub fn nominal_ohm(self, frequency_hz: f64) -> Complex64 {
        let (l, r) = self.elements();
        let branch = Complex64::new(r, TAU * frequency_hz * l);
        (branch.inv() + 1.0 / 50.0).inv()
    }
}

/// One conductor's cell of a network: product's terminal – L – node (C and R to earth) – second inductor – supply (C and R
/// to earth); coupling capacitor and receiver at the product's terminal. Strays are optional.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Cell {
    /// Inductor at the product's side, H.
    pub main_h: f64,
    /// Its winding resistance, Ω.
    #[serde(default)]
    pub main_ohm: f64,
    /// Its winding capacitance, F.
    #[serde(default)]
    pub main_winding_f: f64,
    /// Capacitor from behind it to earth, F.
    pub node_f: f64,
    /// Resistance in series with that capacitor, Ω.
    #[serde(default)]
    pub node_ohm: f64,
    /// Inductance of that branch and its leads, H.
    #[serde(default)]
    pub node_lead_h: f64,
    /// Second inductor, toward the supply, H; none: the node is the supply.
    #[serde(default)]
    pub supply_h: Option<f64>,
    /// Capacitor from the supply terminal to earth, F.
    #[serde(default)]
    pub supply_f: Option<f64>,
    /// Resistance in series with it, Ω.
    #[serde(default)]
    pub supply_ohm: f64,
    /// Coupling capacitor to the receiver, F.
    pub coupling_f: f64,
    /// Inductance of the coupling branch and its leads, H.
    #[serde(default)]
    pub coupling_lead_h: f64,
    /// Receiver (or its termination), Ω.
    #[serde(default = "fifty")]
    pub receiver_ohm: f64,
    /// Bleeder across the receiver, Ω.
    #[serde(default = "kilo")]
    pub bleeder_ohm: f64,
    /// Stray capacitance of the product's terminal to earth, F.
    #[serde(default)]
    pub terminal_f: f64,
}

fn fifty() -> f64 {
    50.0
}

fn kilo() -> f64 {
    1e3
}

/// Fields of a cell: name, whether zero is allowed, reading, writing.
type CellField = (&'static str, bool, fn(&Cell) -> f64, fn(&mut Cell, f64));

const FIELDS: [CellField; 14] = [
    ("main_h", false, |c| c.main_h, |c, v| c.main_h = v),
    ("main_ohm", true, |c| c.main_ohm, |c, v| c.main_ohm = v),
    ("main_winding_f", true, |c| c.main_winding_f, |c, v| c.main_winding_f = v),
    ("node_f", false, |c| c.node_f, |c, v| c.node_f = v),
    ("node_ohm", true, |c| c.node_ohm, |c, v| c.node_ohm = v),
    ("node_lead_h", true, |c| c.node_lead_h, |c, v| c.node_lead_h = v),
    ("supply_h", true, |c| c.supply_h.unwrap_or(0.0), |c, v| c.supply_h = Some(v)),
    ("supply_f", true, |c| c.supply_f.unwrap_or(0.0), |c, v| c.supply_f = Some(v)),
    ("supply_ohm", true, |c| c.supply_ohm, |c, v| c.supply_ohm = v),
    ("coupling_f", false, |c| c.coupling_f, |c, v| c.coupling_f = v),
    ("coupling_lead_h", true, |c| c.coupling_lead_h, |c, v| c.coupling_lead_h = v),
    ("receiver_ohm", false, |c| c.receiver_ohm, |c, v| c.receiver_ohm = v),
    ("bleeder_ohm", false, |c| c.bleeder_ohm, |c, v| c.bleeder_ohm = v),
    ("terminal_f", true, |c| c.terminal_f, |c, v| c.terminal_f = v),
];

fn series(r: f64, l: f64, c: f64, w: f64) -> Complex64 {
    Complex64::new(r, w * l - 1.0 / (w * c))
}

impl Cell {
    /// A circuit for a published network: for 50 µH + 5 Ω the usual two sections (from memory); for the others one, whose
    /// capacitors are chosen here so that it lies in the band.
    pub fn usual(kind: NetworkKind) -> Self {
        let one = Self {
            main_h: 50e-6,
            main_ohm: 0.0,
            main_winding_f: 0.0,
            node_f: 8e-6,
            node_ohm: 5.0,
            node_lead_h: 0.0,
            supply_h: Some(250e-6),
            supply_f: Some(4e-6),
            supply_ohm: 10.0,
            coupling_f: 0.25e-6,
            coupling_lead_h: 0.0,
            receiver_ohm: 50.0,
            bleeder_ohm: 1e3,
            terminal_f: 0.0,
        };
        match kind {
            NetworkKind::Fifty50u5 => one,
            NetworkKind::Fifty50u => Self {
                node_f: 1e-6,
                node_ohm: 0.0,
                supply_h: None,
                supply_f: None,
                supply_ohm: 0.0,
                coupling_f: 0.1e-6,
                ..one
            },
            NetworkKind::Fifty5u1 => Self {
                main_h: 5e-6,
                node_f: 8e-6,
                node_ohm: 1.0,
                supply_h: Some(50e-6),
                supply_f: None,
                supply_ohm: 0.0,
                coupling_f: 0.1e-6,
                ..one
            },
        }
    }

    /// Checks every element; `place` names the file.
    pub fn check(&self, place: &str) -> Result<(), RemedyError> {
        for (name, zero, get, _) in FIELDS {
            let v = get(self);
            if !(v.is_finite() && (v > 0.0 || (zero && v == 0.0))) {
                let expected = if zero { "zero or a number above it" } else { "a number above zero" };
                return Err(RemedyError::file(
                    place,
                    format!("part `{name}` is {v}"),
                    &format!("{expected}, SI units"),
                ));
            }
        }
        if self.main_h > 1.0 || self.node_f > 0.1 || self.coupling_f > 0.1 {
            return Err(RemedyError::file(
                place,
                "an inductor above 1 H or a capacitor above 0.1 F",
                "henries and farads: 50 µH is 50e-6",
            ));
        }
        Ok(())
    }

    fn node_branch(&self, w: f64) -> Complex64 {
        series(self.node_ohm, self.node_lead_h, self.node_f, w)
    }

    /// From behind the main inductor to earth, with the supply as `supply` to earth, Ω.
    fn behind(&self, w: f64, supply: Option<Complex64>) -> Complex64 {
        let branch = self.node_branch(w);
        let mut far: Option<Complex64> = match self.supply_f {
            Some(c) if c > 0.0 => Some(series(self.supply_ohm, 0.0, c, w)),
            _ => None,
        };
        if let Some(s) = supply {
            far = Some(far.map_or(s, |z| (z.inv() + s.inv()).inv()));
        }
        match far {
            // Without a second inductor the supply lies on the node itself.
            Some(z) => (branch.inv() + (z + Complex64::new(0.0, w * self.supply_h.unwrap_or(0.0))).inv()).inv(),
            None => branch,
        }
    }

    fn main(&self, w: f64) -> Complex64 {
        let l = Complex64::new(self.main_ohm, w * self.main_h);
        (l.inv() + Complex64::new(0.0, w * self.main_winding_f)).inv()
    }

    fn receiver(&self) -> f64 {
        1.0 / (self.receiver_ohm.recip() + self.bleeder_ohm.recip())
    }

    /// Impedance at the product's terminal to earth, Ω, with the supply terminal open, shorted to earth, or as given.
    pub fn impedance_ohm(&self, frequency_hz: f64, supply: Option<Complex64>) -> Complex64 {
        let w = TAU * frequency_hz;
        let main = self.main(w) + self.behind(w, supply);
        let coupling = series(self.receiver(), self.coupling_lead_h, self.coupling_f, w);
        (main.inv() + coupling.inv() + Complex64::new(0.0, w * self.terminal_f)).inv()
    }

    /// Voltage division factor: terminal over receiver, dB. What is to be added to the reading.
    pub fn division_factor_db(&self, frequency_hz: f64) -> f64 {
        let w = TAU * frequency_hz;
        let r = self.receiver();
        20.0 * (series(r, self.coupling_lead_h, self.coupling_f, w) / r).norm().log10()
    }

    /// Isolation (dB) of the receiver from the supply terminal, as it is measured: the level of a generator of 50 Ω in
    /// 50 Ω, over what the receiver reads when that generator feeds the supply terminal.
    pub fn isolation_db(&self, frequency_hz: f64) -> f64 {
        let w = TAU * frequency_hz;
        let coupling = series(self.receiver(), self.coupling_lead_h, self.coupling_f, w);
        let terminal = (coupling.inv() + Complex64::new(0.0, w * self.terminal_f)).inv();
        let past_main = self.main(w) + terminal;
        let node = (self.node_branch(w).inv() + past_main.inv()).inv();
        let inward = node + Complex64::new(0.0, w * self.supply_h.unwrap_or(0.0));
        let at_supply = match self.supply_f {
            Some(c) if c > 0.0 => (inward.inv() + series(self.supply_ohm, 0.0, c, w).inv()).inv(),
            _ => inward,
        };
        let fed = 2.0 * at_supply / (at_supply + 50.0);
        let share = fed * (node / inward) * (terminal / past_main) * (self.receiver() / coupling);
        -20.0 * share.norm().log10()
    }

    /// Current through the capacitors to earth at mains frequency, A r.m.s.: both the node's and the supply's, and the
    /// coupling, from a conductor at `supply_v` to earth.
    pub fn earth_current_a(&self, supply_v: f64, supply_hz: f64) -> f64 {
        let w = TAU * supply_hz;
        let mut y = self.node_branch(w).inv() + series(self.receiver(), 0.0, self.coupling_f, w).inv();
        if let Some(c) = self.supply_f.filter(|c| *c > 0.0) {
            y += series(self.supply_ohm, 0.0, c, w).inv();
        }
        supply_v * y.norm()
    }
}

/// What the supply terminal is closed with while the product's side is looked at.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum SupplyState {
    /// Nothing.
    Open,
    /// Earth.
    Shorted,
    /// 50 Ω.
    Fifty,
    /// As it was when the impedance was measured.
    AsMeasured,
}

impl SupplyState {
    const COMPUTED: [(Self, Option<f64>); 3] =
        [(Self::Open, None), (Self::Shorted, Some(1e-3)), (Self::Fifty, Some(50.0))];
}

/// How the conductors of a supply lie against earth.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Default, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum SupplySystem {
    /// Line and neutral, the neutral near earth.
    #[default]
    SinglePhase,
    /// Three lines and neutral; the voltage is that of a line to neutral.
    ThreePhase,
    /// Direct current.
    Dc,
}

/// Currents to earth of a whole network, A r.m.s.: `(as connected, at worst)`. At worst: of three phases one alone is
/// live; of balanced ones only the unequal capacitors are left, here ±10 % (one high, two low: 20 % of one cell's).
pub fn network_earth_current_a(cell: &Cell, system: SupplySystem, line_v: f64, supply_hz: f64) -> (f64, f64) {
    let one = cell.earth_current_a(line_v, supply_hz);
    match system {
        SupplySystem::SinglePhase => (one, one),
        SupplySystem::ThreePhase => (0.2 * one, one),
        // Direct current does not pass capacitors; what they store is the hazard.
        SupplySystem::Dc => (0.0, 0.0),
    }
}

/// One frequency of a check.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct BandPoint {
    /// Frequency, Hz.
    pub frequency_hz: f64,
    /// Magnitude found, Ω.
    pub magnitude_ohm: f64,
    /// Phase found, degrees.
    pub phase_deg: f64,
    /// Published magnitude, Ω.
    pub nominal_ohm: f64,
    /// Published phase, degrees.
    pub nominal_deg: f64,
    /// Departure of the magnitude, as a share.
    pub magnitude_error: f64,
    /// Departure of the phase, degrees.
    pub phase_error_deg: f64,
    /// The supply's state.
    pub supply: SupplyState,
}

impl BandPoint {
    fn new(frequency_hz: f64, z: Complex64, kind: NetworkKind, supply: SupplyState) -> Self {
        let n = kind.nominal_ohm(frequency_hz);
        Self {
            frequency_hz,
            magnitude_ohm: z.norm(),
            phase_deg: z.arg().to_degrees(),
            nominal_ohm: n.norm(),
            nominal_deg: n.arg().to_degrees(),
            magnitude_error: z.norm() / n.norm() - 1.0,
            phase_error_deg: (z / n).arg().to_degrees(),
            supply,
        }
    }

    /// How much of the tolerance is used; above 1 it is outside.
    pub fn used(&self) -> f64 {
        (self.magnitude_error.abs() / MAGNITUDE_TOLERANCE).max(self.phase_error_deg.abs() / PHASE_TOLERANCE_DEG)
    }
}

/// What changing one element would do.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct PartAdvice {
    /// The element.
    pub part: String,
    /// Its value now, SI.
    pub value: f64,
    /// The value that leaves least of the tolerance used, between a quarter and four times the present one, SI.
    pub better: f64,
    /// Tolerance used now, at worst over the range.
    pub used: f64,
    /// Tolerance used with the better value.
    pub used_with: f64,
}

/// A network held against its band.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct BandCheck {
    /// The network it is held against.
    pub kind: NetworkKind,
    /// Every point looked at.
    pub points: Vec<BandPoint>,
    /// Ranges outside, Hz, each with its worst point's share of the tolerance.
    pub outside: Vec<(f64, f64, f64)>,
    /// The point that uses most of the tolerance.
    pub worst: BandPoint,
    /// Which parts to change, most helpful first; empty where nothing has to be, or only a measurement is known.
    pub advice: Vec<PartAdvice>,
    /// Range that was asked for but not measured, Hz.
    pub not_measured: Vec<(f64, f64)>,
}

impl BandCheck {
    /// True where every point is inside and nothing is missing.
    pub fn inside(&self) -> bool {
        self.outside.is_empty() && self.not_measured.is_empty()
    }
}

/// Points for a check: 60 to the decade, ends included.
fn grid(kind: NetworkKind) -> Vec<f64> {
    let (from, to) = kind.range_hz();
    let n = (60.0 * (to / from).log10()).ceil() as usize;
    (0..=n).map(|k| from * (to / from).powf(k as f64 / n as f64)).collect()
}

fn check_points(kind: NetworkKind, points: Vec<BandPoint>) -> Option<BandCheck> {
    let worst = *points.iter().max_by(|a, b| a.used().total_cmp(&b.used()))?;
    // One share for each frequency: the worst state of the supply.
    let mut used: Vec<(f64, f64)> = Vec::new();
    for p in &points {
        match used.last_mut() {
            Some(last) if last.0 == p.frequency_hz => last.1 = last.1.max(p.used()),
            _ => used.push((p.frequency_hz, p.used())),
        }
    }
    let mut outside: Vec<(f64, f64, f64)> = Vec::new();
    let mut open = false;
    for (f, share) in used {
        if share > 1.0 {
            match outside.last_mut() {
                Some(last) if open => *last = (last.0, f, last.2.max(share)),
                _ => outside.push((f, f, share)),
            }
        }
        open = share > 1.0;
    }
    Some(BandCheck { kind, points, outside, worst, advice: Vec::new(), not_measured: Vec::new() })
}

fn states_at(cell: &Cell, kind: NetworkKind, f: f64) -> [BandPoint; 3] {
    SupplyState::COMPUTED
        .map(|(state, ohm)| BandPoint::new(f, cell.impedance_ohm(f, ohm.map(|r| Complex64::new(r, 0.0))), kind, state))
}

fn worst_used(cell: &Cell, kind: NetworkKind, grid: &[f64]) -> f64 {
    grid.iter().flat_map(|&f| states_at(cell, kind, f)).map(|p| p.used()).fold(0.0, f64::max)
}

/// Holds a circuit against the band of a published network, with the supply terminal open, shorted and at 50 Ω, and
/// says which part to change.
pub fn check_cell(cell: &Cell, kind: NetworkKind) -> Result<BandCheck, RemedyError> {
    cell.check("network")?;
    let grid = grid(kind);
    let points = grid.iter().flat_map(|&f| states_at(cell, kind, f)).collect();
    let mut check =
        check_points(kind, points).ok_or_else(|| RemedyError::Network("no frequency to check".to_owned()))?;
    if !check.outside.is_empty() {
        check.advice = advice(cell, kind, &grid);
    }
    Ok(check)
}

fn advice(cell: &Cell, kind: NetworkKind, grid: &[f64]) -> Vec<PartAdvice> {
    let sparse: Vec<f64> = grid.iter().copied().step_by(4).chain(grid.last().copied()).collect();
    let used = worst_used(cell, kind, &sparse);
    let mut list: Vec<PartAdvice> = FIELDS
        .iter()
        .filter_map(|(name, zero, get, set)| {
            let value = get(cell);
            // A stray or loss that is there can be taken away; what is absent is not invented.
            let factors = (0..=48).map(|k| 4f64.powf((f64::from(k) - 24.0) / 24.0));
            let values: Vec<f64> = if value > 0.0 {
                factors.map(|x| value * x).chain(zero.then_some(0.0).filter(|_| !name.starts_with("supply"))).collect()
            } else if *name == "node_ohm" || *name == "main_ohm" {
                vec![1.0, 2.0, 5.0, 10.0]
            } else {
                return None;
            };
            let (better, used_with) = values
                .into_iter()
                .map(|v| {
                    let mut changed = cell.clone();
                    set(&mut changed, v);
                    (v, worst_used(&changed, kind, &sparse))
                })
                .min_by(|a, b| a.1.total_cmp(&b.1))?;
            (used_with < used * 0.98).then(|| PartAdvice { part: (*name).to_owned(), value, better, used, used_with })
        })
        .collect();
    list.sort_by(|a, b| a.used_with.total_cmp(&b.used_with));
    list
}

/// Holds a measured impedance (product's terminal to earth, receiver port terminated in 50 Ω) against the band.
pub fn check_measured(table: &MeasuredImpedance, kind: NetworkKind) -> Result<BandCheck, RemedyError> {
    table.check("network")?;
    let (from, to) = kind.range_hz();
    let points: Vec<BandPoint> = table
        .rows
        .iter()
        .filter(|r| r[0] >= from * (1.0 - 1e-9) && r[0] <= to * (1.0 + 1e-9))
        .map(|r| BandPoint::new(r[0], Complex64::new(r[1], r[2]), kind, SupplyState::AsMeasured))
        .collect();
    let mut check = check_points(kind, points).ok_or_else(|| {
        RemedyError::file(
            "network",
            "no frequency of the measurement lies in the range",
            &format!("values from {from} Hz to {to} Hz"),
        )
    })?;
    let (low, high) = table.range_hz().unwrap_or((from, to));
    if low > from * 1.01 {
        check.not_measured.push((from, low));
    }
    if high < to * 0.99 {
        check.not_measured.push((high, to));
    }
    Ok(check)
}

/// The caution that belongs wherever a network with capacitors to earth is set up.
pub fn earth_caution(current_a: f64) -> String {
    format!(
        "About {current_a:.2} A flows to earth through the network's capacitors at mains frequency. A residual-current device (30 mA) \
         trips at once, and a network whose earth is missing puts mains on its housing. Practice: an isolating transformer, \
         or a supply circuit without such a device that is permanently bonded; the network's earth bond made first and \
         removed last; fitted by someone licensed, under the local code."
    )
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Magnitudes and phases of 50 Ω ∥ (50 µH + 5 Ω), 50 Ω ∥ 50 µH and 50 Ω ∥ (5 µH + 1 Ω): the published curves
    /// (elements from memory, values computed from them).
    #[test]
    fn published_impedances() {
        let mhz = [0.009, 0.015, 0.02, 0.03, 0.05, 0.08, 0.1, 0.15, 0.2, 0.3, 0.5, 1.0, 2.0, 5.0, 30.0];
        let ohm = [5.21, 6.22, 7.25, 9.56, 14.41, 21.19, 25.11, 32.71, 37.74, 43.25, 47.21, 49.26, 49.81, 49.97, 50.0];
        let degrees = [26.5, 38.4, 45.0, 52.3, 56.4, 54.2, 51.2, 43.4, 36.7, 27.2, 17.5, 9.0, 4.6, 1.8, 0.3];
        for ((f, z), d) in mhz.into_iter().zip(ohm).zip(degrees) {
            let got = NetworkKind::Fifty50u5.nominal_ohm(f * 1e6);
            assert!((got.norm() - z).abs() < 0.006 && (got.arg().to_degrees() - d).abs() < 0.06, "{f} MHz: {got}");
        }
        for (f, z) in
            [(0.15, 34.29), (0.2, 39.12), (0.3, 44.17), (0.5, 47.64), (1.0, 49.38), (2.0, 49.84), (5.0, 49.97)]
        {
            assert!((NetworkKind::Fifty50u.nominal_ohm(f * 1e6).norm() - z).abs() < 0.006, "{f} MHz");
        }
        for (f, z) in [
            (0.15, 4.70),
            (0.2, 6.19),
            (0.3, 9.14),
            (0.5, 14.75),
            (1.0, 26.24),
            (2.0, 38.83),
            (5.0, 47.56),
            (30.0, 49.93),
        ] {
            assert!((NetworkKind::Fifty5u1.nominal_ohm(f * 1e6).norm() - z).abs() < 0.006, "{f} MHz");
        }
    }

    /// The usual circuits lie inside the band of their own network over its range, with the supply open or at 50 Ω. With
    /// the supply shorted to earth that of 50 µH + 5 Ω shows up to 24 % too much below 10 kHz: 250 µH are 14 Ω there,
    /// beside 5 Ω and 8 µF (nodal equations in double precision, numpy).
    #[test]
    fn the_usual_circuits_are_inside() {
        for kind in NetworkKind::ALL {
            let check = check_cell(&Cell::usual(kind), kind).unwrap();
            let states = |p: &BandPoint| p.supply != SupplyState::Shorted;
            assert!(check.points.iter().filter(|p| states(p)).all(|p| p.used() <= 1.0), "{}", kind.name());
            if kind == NetworkKind::Fifty50u5 {
                assert!((check.worst.magnitude_error - 0.2389).abs() < 1e-4 && check.worst.frequency_hz == 9e3);
                assert!(check.outside.len() == 1 && check.outside[0].1 < 10e3, "{:?}", check.outside);
            } else {
                assert!(check.inside(), "{}: {:?}", kind.name(), check.outside);
            }
        }
    }

    /// At least 40 dB from the supply side from 150 kHz on (from memory, CISPR 16-1-2).
    #[test]
    fn the_two_section_circuit_isolates() {
        for f in [150e3, 500e3, 5e6, 30e6] {
            let db = Cell::usual(NetworkKind::Fifty50u5).isolation_db(f);
            assert!(db > 40.0, "{f} Hz: {db}");
        }
    }

    /// 12.25 µF: 0.885 A at 230 V, 50 Hz; 12 µF 0.54 A at 120 V, 60 Hz (I = 2πfCV; the resistors in series change the
    /// fourth digit).
    #[test]
    fn earth_currents() {
        let cell = Cell::usual(NetworkKind::Fifty50u5);
        assert!((cell.earth_current_a(230.0, 50.0) - 0.885).abs() < 2e-3);
        assert!((cell.earth_current_a(120.0, 60.0) - 0.554).abs() < 2e-3);
        // Three phasors of 1.1, 0.9 and 0.9 at 120° add up to 0.2.
        let (balanced, worst) = network_earth_current_a(&cell, SupplySystem::ThreePhase, 230.0, 50.0);
        assert!((balanced / worst - 0.2).abs() < 1e-12 && (worst - 0.885).abs() < 2e-3);
        assert!(earth_caution(0.885).contains("residual-current"));
    }

    /// 0.25 µF into 50 Ω ∥ 1 kΩ: at 9 kHz the capacitor's 70.7 Ω stands before 47.6 Ω, 5.05 dB; nothing at 1 MHz
    /// (voltage divider by hand).
    #[test]
    fn division_factor() {
        let cell = Cell::usual(NetworkKind::Fifty50u5);
        let by_hand = 20.0 * (1.0f64 + (70.735f64 / 47.619).powi(2)).sqrt().log10();
        assert!((cell.division_factor_db(9e3) - by_hand).abs() < 1e-3);
        assert!(cell.division_factor_db(1e6) < 0.001);
    }

    /// A network wound with too little inductance: said where, and that the inductor is the part to change.
    #[test]
    fn a_home_made_network_is_told_what_to_change() {
        let cell = Cell { main_h: 28e-6, ..Cell::usual(NetworkKind::Fifty50u) };
        let check = check_cell(&cell, NetworkKind::Fifty50u).unwrap();
        assert!(!check.inside() && check.outside[0].0 < 160e3, "{:?}", check.outside);
        let first = &check.advice[0];
        assert!(first.part == "main_h" && (38e-6..60e-6).contains(&first.better) && first.used_with < 1.0, "{first:?}");
        // A stray capacitance across the terminal spoils the top, and is what to take away.
        let cell = Cell { terminal_f: 60e-12, ..Cell::usual(NetworkKind::Fifty50u) };
        let check = check_cell(&cell, NetworkKind::Fifty50u).unwrap();
        assert!(check.outside.iter().any(|o| o.1 > 29e6), "{:?}", check.outside);
        assert_eq!(check.advice[0].part, "terminal_f", "{:?}", check.advice);
    }

    #[test]
    fn a_measured_network_says_what_it_does_not_cover() {
        let rows = (0..200)
            .map(|k| {
                let f = 150e3 * (10e6f64 / 150e3).powf(f64::from(k) / 199.0);
                let z = NetworkKind::Fifty50u.nominal_ohm(f);
                [f, z.re, z.im]
            })
            .collect();
        let check = check_measured(&MeasuredImpedance { rows, notes: vec![] }, NetworkKind::Fifty50u).unwrap();
        assert!(check.outside.is_empty() && !check.inside());
        assert!((check.not_measured[0].0 - 10e6).abs() < 1.0 && (check.not_measured[0].1 - 30e6).abs() < 1.0);
    }

    #[test]
    fn absurd_elements_are_named() {
        let cell = Cell { node_f: -8e-6, ..Cell::usual(NetworkKind::Fifty50u5) };
        assert!(check_cell(&cell, NetworkKind::Fifty50u5).unwrap_err().to_string().contains("part `node_f` is"));
    }
}
