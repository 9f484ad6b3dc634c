use serde::{Deserialize, Serialize};

use super::PredictionError;
use crate::record::Mains;

/// What a supply feeds.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Load {
    /// A resistance, ohm.
    ResistanceOhm(f64),
    /// A converter that takes the same power at any voltage, W (below a fifth of the mains' peak it takes less).
    PowerW(f64),
}

/// A heater on a controller.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Heater {
    /// Power at nominal voltage, W.
    pub power_w: f64,
}

/// A load that is switched.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct RelayLoad {
    /// Active power at nominal voltage, W.
    pub power_w: f64,
    /// Power factor, lagging. Default 1.
    #[serde(default = "one")]
    pub power_factor: f64,
    /// First switched on, s.
    #[serde(default)]
    pub first_on_s: f64,
    /// On for so long, s.
    pub on_s: f64,
    /// Then off for so long, s, and on again.
    pub off_s: f64,
}

fn one() -> f64 {
    1.0
}

/// What stands between the mains and the load.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case", tag = "kind", deny_unknown_fields)]
pub enum Topology {
    /// Bridge rectifier and reservoir capacitor, with or without a choke on the mains side.
    CapacitorInput {
        /// Reservoir, F.
        capacitance_f: f64,
        /// Its series resistance, ohm. Default 0.1.
        #[serde(default = "tenth")]
        esr_ohm: f64,
        /// Resistance in series with the mains (inrush limiter warm, filter), ohm. Default 0.5.
        #[serde(default = "half")]
        series_ohm: f64,
        /// Choke in series with the mains, H. Default none.
        #[serde(default)]
        choke_h: f64,
        /// What it feeds.
        load: Load,
    },
    /// Passive valley fill: two capacitors charged in series and discharged in parallel.
    ValleyFill {
        /// Each capacitor, F.
        capacitance_f: f64,
        /// Resistor in the charging path, ohm.
        charge_ohm: f64,
        /// Resistance in series with the mains, ohm. Default 0.5.
        #[serde(default = "half")]
        series_ohm: f64,
        /// What it feeds.
        load: Load,
    },
    /// Idealised active power-factor stage: a current in proportion to the voltage, with the third harmonic that the
    /// ripple of its voltage loop makes, and the capacitance across the line before it.
    ActivePowerFactor {
        /// Power, W.
        power_w: f64,
        /// Capacitance across the line, F. Default 0.
        #[serde(default)]
        line_capacitance_f: f64,
        /// Third harmonic, % of the fundamental. Default 0.
        #[serde(default)]
        third_percent: f64,
    },
    /// Transformer, bridge rectifier and reservoir before a linear regulator.
    Transformer {
        /// Open-circuit secondary voltage, V.
        secondary_v: f64,
        /// Resistance of the windings seen from the primary, ohm.
        winding_ohm: f64,
        /// Leakage inductance seen from the primary, H.
        leakage_h: f64,
        /// Magnetising inductance, H.
        magnetising_h: f64,
        /// Reservoir, F.
        capacitance_f: f64,
        /// What it feeds.
        load: Load,
    },
    /// Heater on a phase-cut controller.
    PhaseCut {
        /// Heater.
        heater: Heater,
        /// Firing angle after the zero crossing, degrees.
        firing_deg: f64,
    },
    /// Heater fired in whole cycles.
    BurstFired {
        /// Heater.
        heater: Heater,
        /// Cycles on.
        on_cycles: u32,
        /// Cycles until it comes again.
        period_cycles: u32,
    },
    /// Loads switched by relays or thermostats.
    Relays {
        /// The loads.
        loads: Vec<RelayLoad>,
    },
}

fn tenth() -> f64 {
    0.1
}

fn half() -> f64 {
    0.5
}

/// The description of a product's input.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct SupplyFile {
    /// Mains frequency, Hz: 50 or 60.
    pub mains_hz: f64,
    /// Mains voltage, V r.m.s.
    pub mains_v: f64,
    /// Resistance of the source, ohm. Default 0: the clean source of a harmonic test.
    #[serde(default)]
    pub source_ohm: f64,
    /// Inductance of the source, H. Default 0.
    #[serde(default)]
    pub source_h: f64,
    /// The input.
    pub input: Topology,
}

fn wrong(field: &str, what: impl ToString, expected: &str) -> PredictionError {
    PredictionError::Description { field: field.into(), what: what.to_string(), expected: expected.into() }
}

/// Time constant with which a converter without a reservoir before it follows its input, s: a loop of some 3 kHz
/// (common practice).
const LOOP_S: f64 = 50e-6;

impl SupplyFile {
    /// Reads a description in TOML.
    pub fn parse(text: &str) -> Result<Self, PredictionError> {
        let file: Self = toml::from_str(text).map_err(|e| PredictionError::Text(e.to_string()))?;
        file.check()?;
        Ok(file)
    }

    /// 50 or 60 Hz.
    pub fn mains(&self) -> Result<Mains, PredictionError> {
        match self.mains_hz {
            50.0 => Ok(Mains::Hz50),
            60.0 => Ok(Mains::Hz60),
            other => Err(wrong("mains_hz", other, "50 or 60")),
        }
    }

    /// Peak of the mains, V.
    pub fn peak_v(&self) -> f64 {
        self.mains_v * std::f64::consts::SQRT_2
    }

    /// Looks whether the numbers make sense.
    pub fn check(&self) -> Result<(), PredictionError> {
        self.mains()?;
        let above = |field: &str, v: f64| {
            if v.is_finite() && v > 0.0 { Ok(()) } else { Err(wrong(field, v, "a number above zero")) }
        };
        let not_below = |field: &str, v: f64| {
            if v.is_finite() && v >= 0.0 { Ok(()) } else { Err(wrong(field, v, "a number of zero or more")) }
        };
        above("mains_v", self.mains_v)?;
        not_below("source_ohm", self.source_ohm)?;
        not_below("source_h", self.source_h)?;
        let load_of = |l: &Load| match l {
            Load::ResistanceOhm(r) => above("input.load.resistance_ohm", *r),
            Load::PowerW(p) => above("input.load.power_w", *p),
        };
        match &self.input {
            Topology::CapacitorInput { capacitance_f, esr_ohm, series_ohm, choke_h, load } => {
                above("input.capacitance_f", *capacitance_f)?;
                not_below("input.esr_ohm", *esr_ohm)?;
                not_below("input.series_ohm", *series_ohm)?;
                not_below("input.choke_h", *choke_h)?;
                load_of(load)
            }
            Topology::ValleyFill { capacitance_f, charge_ohm, series_ohm, load } => {
                above("input.capacitance_f", *capacitance_f)?;
                above("input.charge_ohm", *charge_ohm)?;
                not_below("input.series_ohm", *series_ohm)?;
                load_of(load)
            }
            Topology::ActivePowerFactor { power_w, line_capacitance_f, third_percent } => {
                above("input.power_w", *power_w)?;
                not_below("input.line_capacitance_f", *line_capacitance_f)?;
                not_below("input.third_percent", *third_percent)
            }
            Topology::Transformer { secondary_v, winding_ohm, leakage_h, magnetising_h, capacitance_f, load } => {
                above("input.secondary_v", *secondary_v)?;
                above("input.winding_ohm", *winding_ohm)?;
                above("input.leakage_h", *leakage_h)?;
                above("input.magnetising_h", *magnetising_h)?;
                above("input.capacitance_f", *capacitance_f)?;
                load_of(load)
            }
            Topology::PhaseCut { heater, firing_deg } => {
                above("input.heater.power_w", heater.power_w)?;
                if (1.0..=179.0).contains(firing_deg) {
                    Ok(())
                } else {
                    Err(wrong("input.firing_deg", firing_deg, "an angle from 1 to 179 degrees"))
                }
            }
            Topology::BurstFired { heater, on_cycles, period_cycles } => {
                above("input.heater.power_w", heater.power_w)?;
                if *on_cycles > 0 && on_cycles < period_cycles {
                    Ok(())
                } else {
                    Err(wrong("input.on_cycles", on_cycles, "at least 1 and fewer than period_cycles"))
                }
            }
            Topology::Relays { loads } => {
                if loads.is_empty() {
                    return Err(wrong("input.loads", "none", "at least one load"));
                }
                for (k, l) in loads.iter().enumerate() {
                    above(&format!("input.loads[{k}].power_w"), l.power_w)?;
                    above(&format!("input.loads[{k}].on_s"), l.on_s)?;
                    above(&format!("input.loads[{k}].off_s"), l.off_s)?;
                    not_below(&format!("input.loads[{k}].first_on_s"), l.first_on_s)?;
                    if !(l.power_factor > 0.0 && l.power_factor <= 1.0) {
                        let field = format!("input.loads[{k}].power_factor");
                        return Err(wrong(&field, l.power_factor, "above 0 and at most 1"));
                    }
                }
                Ok(())
            }
        }
    }

    /// True where the input is a load on a schedule rather than a network with a periodic current.
    pub fn is_schedule(&self) -> bool {
        matches!(self.input, Topology::BurstFired { .. } | Topology::Relays { .. })
    }

    /// The network in the common card syntax, the mains starting at `angle_deg` with the capacitors at `charged` times
    /// the peak. The mains current is that through `RS`. `None` for a schedule.
    pub fn netlist(&self, angle_deg: f64, charged: f64) -> Option<String> {
        let (v, f) = (self.peak_v(), self.mains_hz);
        let initial = v * charged;
        let mut cards =
            vec!["* input of a product on the mains".to_owned(), format!("VS s 0 SIN(0 {v:.9} {f} 0 0 {angle_deg})")];
        // A source without any resistance into a capacitance has no current that could be computed.
        let source = self.source_ohm.max(1e-3);
        let line = |cards: &mut Vec<String>, extra_ohm: f64, extra_h: f64| {
            cards.push(format!("RS s a {:.9e}", source + extra_ohm));
            let l = self.source_h + extra_h;
            if l > 0.0 {
                cards.push(format!("LS a b {l:.9e}"));
                // Loss beside the inductance, equal to its reactance at 100 kHz: no choke rings for ever, and the
                // orders to the 40th do not notice (0.02 % of the impedance at 2 kHz).
                cards.push(format!("RP a b {:.9e}", std::f64::consts::TAU * 100e3 * l));
                "b"
            } else {
                "a"
            }
        };
        let bridge = |cards: &mut Vec<String>, hot: &str, cold: &str| {
            for (k, (a, c)) in [(hot, "p"), (cold, "p"), ("n", hot), ("n", cold)].into_iter().enumerate() {
                cards.push(format!("D{} {a} {c} RECT", k + 1));
            }
            cards.push(".model RECT D(IS=10n N=1.9 RS=0.03)".into());
        };
        let feed = |cards: &mut Vec<String>, load: &Load, least_v: f64| match load {
            Load::ResistanceOhm(r) => cards.push(format!("RLOAD p n {r:.9e}")),
            Load::PowerW(p) => {
                cards.push(format!("BLOAD p n I={{{p}*v(p,n)/max(v(p,n)*v(p,n),{:.6})}}", least_v * least_v));
            }
        };
        match &self.input {
            Topology::CapacitorInput { capacitance_f, esr_ohm, series_ohm, choke_h, load } => {
                let hot = line(&mut cards, *series_ohm, *choke_h);
                bridge(&mut cards, hot, "0");
                cards.push(format!("RC p c {:.9e}", esr_ohm.max(1e-3)));
                cards.push(format!("C1 c n {capacitance_f:.9e} IC={initial:.6}"));
                feed(&mut cards, load, v / 5.0);
            }
            Topology::ValleyFill { capacitance_f, charge_ohm, series_ohm, load } => {
                let hot = line(&mut cards, *series_ohm, 0.0);
                bridge(&mut cards, hot, "0");
                cards.push(format!("C1 p x {capacitance_f:.9e} IC={:.6}", initial / 2.0));
                cards.push("D5 n x RECT".into());
                cards.push("D6 x y RECT".into());
                cards.push(format!("RF y z {charge_ohm:.9e}"));
                cards.push("D7 z p RECT".into());
                cards.push(format!("C2 z n {capacitance_f:.9e} IC={:.6}", initial / 2.0));
                match load {
                    Load::ResistanceOhm(_) => feed(&mut cards, load, v / 5.0),
                    // Nothing stores charge across the load while both capacitors are cut off. A load that held its
                    // power at once would then be a falling resistance behind the mains inductance, which has no steady
                    // current: a real converter follows its input no faster than its control loop.
                    Load::PowerW(p) => {
                        cards.push("ELOOP q 0 p n 1".into());
                        cards.push("RLOOP q g 1k".into());
                        cards.push(format!("CLOOP g 0 {:.9e} IC={:.6}", LOOP_S / 1e3, initial / 2.0));
                        let least = (v / 5.0).powi(2);
                        cards.push(format!("BLOAD p n I={{{p}*v(g)/max(v(g)*v(g),{least:.6})}}"));
                    }
                }
            }
            Topology::ActivePowerFactor { power_w, line_capacitance_f, third_percent } => {
                let hot = line(&mut cards, 0.1, 0.0);
                if *line_capacitance_f > 0.0 {
                    cards.push(format!(
                        "CX {hot} 0 {line_capacitance_f:.9e} IC={:.6}",
                        v * angle_deg.to_radians().sin()
                    ));
                }
                let g = power_w / (self.mains_v * self.mains_v);
                // sin(x)·(1 + 2m·cos(2x)) = (1 − m)·sin(x) + m·sin(3x), with x the phase of the mains.
                let m = third_percent / 100.0 / (1.0 + third_percent / 100.0);
                let w = 2.0 * std::f64::consts::TAU * f;
                cards.push(format!(
                    "BPF {hot} 0 I={{{:.9e}*v({hot})*(1+{:.9e}*cos({w:.9}*time+{:.9}))}}",
                    g / (1.0 - m),
                    2.0 * m,
                    2.0 * angle_deg.to_radians()
                ));
            }
            Topology::Transformer { secondary_v, winding_ohm, leakage_h, magnetising_h, capacitance_f, load } => {
                let hot = line(&mut cards, *winding_ohm, *leakage_h);
                let ratio = secondary_v / self.mains_v;
                cards.push(format!("LM {hot} 0 {magnetising_h:.9e}"));
                // An ideal transformer: a current source on the primary, a voltage source on the secondary.
                cards.push(format!("ET t1 t2 {hot} 0 {ratio:.9e}"));
                cards.push("VT t1 t 0".to_owned());
                cards.push(format!("FT {hot} 0 VT {ratio:.9e}"));
                bridge(&mut cards, "t", "t2");
                cards.push("RGND t2 0 1meg".into());
                cards.push(format!("C1 p n {capacitance_f:.9e} IC={:.6}", initial * ratio));
                feed(&mut cards, load, v * ratio / 5.0);
            }
            Topology::PhaseCut { heater, firing_deg } => {
                let hot = line(&mut cards, 1e-3, 0.0);
                let r = self.mains_v * self.mains_v / heater.power_w;
                let half_s = 0.5 / f;
                // The controller is closed from the firing angle to just before the zero crossing, in every half-cycle.
                let edge_s = 2e-7;
                let delay_s = ((firing_deg - angle_deg.rem_euclid(180.0)) / 180.0).rem_euclid(1.0) * half_s;
                let width_s = (1.0 - firing_deg / 180.0) * half_s - 2.0 * edge_s;
                cards
                    .push(format!("VG g 0 PULSE(0 1 {delay_s:.9e} {edge_s:e} {edge_s:e} {width_s:.9e} {half_s:.12e})"));
                cards.push(format!("S1 {hot} h g 0 TRIAC"));
                cards.push(".model TRIAC SW(VT=0.5 VH=0.1 RON=1m ROFF=10meg)".into());
                cards.push(format!("RH h 0 {r:.9e}"));
            }
            Topology::BurstFired { .. } | Topology::Relays { .. } => return None,
        }
        cards.push(".end".into());
        Some(cards.join("\n") + "\n")
    }
}
