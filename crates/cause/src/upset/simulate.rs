//! Products with one known weakness, "tested": the physics that the tables of likelihoods know nothing of.
//!
//! Cables are lossy lines over ground, lit by a field along their length or driven at one end, with terminations of their own
//! (solution of the line equations for distributed sources: Taylor, Satterwhite and Harrison, IEEE Trans. Antennas Propag. 13
//! (1965) 987). Slots and housings are resonators of second order, clocks windows about their harmonics, junctions rectify the
//! square. The weak way is the strongest of several that all act; thresholds scatter and are rounded to steps of 1 dB, and
//! nothing above the highest level of the rig is seen.

use num_complex::Complex64;

use super::{
    Curve, CurvePoint, Effect, Injection, PulseKind, PulseLevel, UpsetCable, UpsetCase, UpsetExperiment, UpsetProduct,
    Weakness,
};
use crate::case::Outcome;
use crate::resonance::LIGHT_M_PER_S;
use crate::{Random, Source, SourceKind};

/// A cable as it really is.
#[derive(Debug, Clone)]
struct Line {
    length_m: f64,
    speed: f64,
    impedance_ohm: f64,
    loss_np_per_m: f64,
    near_ohm: f64,
    near_h: f64,
    far_ohm: f64,
    /// Voltage at the victim for a current of 1 A at 100 MHz.
    transfer: f64,
    ferrite_ohm: f64,
}

impl Line {
    fn near(&self, w: f64) -> Complex64 {
        Complex64::new(self.near_ohm + self.ferrite_ohm, w * self.near_h + 0.6 * self.ferrite_ohm)
    }

    fn gamma(&self, w: f64) -> Complex64 {
        // Losses grow as the root of frequency (skin effect).
        let loss = self.loss_np_per_m * (w / 6.28e8).sqrt();
        Complex64::new(loss, w / (self.speed * LIGHT_M_PER_S))
    }

    /// Current into the product for 1 V/m along the cable.
    fn lit(&self, f: f64) -> f64 {
        let w = std::f64::consts::TAU * f;
        let (g, z, l) = (self.gamma(w), self.impedance_ohm, self.length_m);
        let (z1, z2) = (self.near(w), Complex64::from(self.far_ohm));
        let (sh, ch) = ((g * l).sinh(), (g * l).cosh());
        let driven = (z * sh + z2 * (ch - 1.0)) / g;
        (driven / (z * (z1 + z2) * ch + (z * z + z1 * z2) * sh)).norm()
    }

    /// Impedance into the cable from the product.
    fn input(&self, f: f64) -> Complex64 {
        let w = std::f64::consts::TAU * f;
        let t = (self.gamma(w) * self.length_m).tanh();
        let (z, z2) = (Complex64::from(self.impedance_ohm), Complex64::from(self.far_ohm));
        z * (z2 + z * t) / (z + z2 * t) + self.near(w)
    }
}

#[derive(Debug, Clone, Copy)]
struct Resonator {
    at_hz: f64,
    q: f64,
    gain: f64,
}

impl Resonator {
    fn of(&self, f: f64) -> f64 {
        let x = f / self.at_hz;
        self.gain * x / Complex64::new(1.0 - x * x, x / self.q).norm() / self.q
    }
}

/// A narrow window about a harmonic.
#[derive(Debug, Clone, Copy)]
struct Window {
    at_hz: f64,
    width: f64,
    gain: f64,
}

/// A product whose weakness is known.
#[derive(Debug, Clone)]
pub struct SimulatedUpset {
    /// What its description says.
    pub product: UpsetProduct,
    /// The truth.
    pub truth: Weakness,
    /// How it was tested.
    pub injection: Injection,
    /// What was found.
    pub curves: Vec<Curve>,
    /// What was seen.
    pub effect: Option<Effect>,
    lines: Vec<Line>,
    slots: Vec<Resonator>,
    modes: Vec<Resonator>,
    windows: Vec<(String, Window)>,
    supply: Resonator,
    odd: Vec<Resonator>,
    /// Gain of the way to the junction.
    junction: f64,
    /// Frequency above which the victim no longer follows.
    corner_hz: f64,
    offset_db: f64,
    modulated_is_all: bool,
    seed: u64,
}

fn lines(random: &mut Random, conducted: bool) -> (Vec<UpsetCable>, Vec<Line>) {
    let count = 2 + random.below(3);
    let mut cables = Vec::new();
    let mut lines = Vec::new();
    for k in 0..count {
        let length_m = random.log_between(0.4, if conducted { 10.0 } else { 4.0 });
        let supply = k == 0;
        let far_ohm = [2e4, 4.0, 150.0][random.below(3)];
        lines.push(Line {
            length_m,
            speed: random.between(0.68, 0.98),
            impedance_ohm: random.between(180.0, 380.0),
            loss_np_per_m: random.between(0.01, 0.06),
            near_ohm: random.log_between(3.0, 60.0),
            near_h: random.log_between(10e-9, 120e-9),
            far_ohm,
            transfer: 0.12 * random.log_between(0.5, 2.0),
            ferrite_ohm: 0.0,
        });
        cables.push(UpsetCable {
            name: if supply { "mains".into() } else { format!("cable {k}") },
            // As described: the drawn cable lies in bends and its plug counts.
            length_m: Some((length_m * random.between(0.95, 1.03) * 100.0).round() / 100.0),
            supply,
        });
    }
    (cables, lines)
}

fn share(random: &mut Random, of: &[(Weakness, f64)]) -> Weakness {
    let mut rest = random.unit() * of.iter().map(|w| w.1).sum::<f64>();
    for (w, p) in of {
        rest -= p;
        if rest < 0.0 {
            return w.clone();
        }
    }
    of[0].0.clone()
}

impl SimulatedUpset {
    /// Draws a product, its weakness and its test.
    pub fn draw(seed: u64) -> Self {
        let mut random = Random::new(seed);
        let conducted = random.chance(0.3);
        let injection = if conducted { Injection::Conducted } else { Injection::Field };
        let (cables, lines) = lines(&mut random, conducted);
        let band = if conducted { (150e3, 80e6) } else { (80e6, 1e9) };
        let metal = random.chance(0.6);
        let sides = [random.between(0.25, 0.6), random.between(0.2, 0.4), random.between(0.05, 0.2)];
        let housing_m = (metal && !conducted).then_some(sides);
        let slots: Vec<(String, f64)> = (0..if metal { random.below(3) } else { 0 })
            .map(|k| (format!("slot {}", k + 1), (random.log_between(0.12, 0.5) * 1e3).round() / 1e3))
            .collect();
        let sources: Vec<Source> = (0..=random.below(3))
            .map(|k| {
                let frequency_hz =
                    if conducted { random.log_between(1e6, 25e6) } else { random.log_between(12e6, 200e6) };
                Source {
                    name: format!("clock {}", k + 1),
                    kind: SourceKind::Clock,
                    frequency_hz: (frequency_hz / 1e3).round() * 1e3,
                    relative_tolerance: None,
                    duty: None,
                    rise_time_s: None,
                }
            })
            .collect();
        let mut shares = vec![(Weakness::Demodulation, 0.2), (Weakness::Other, 0.1)];
        shares.extend(cables.iter().map(|c| (Weakness::Cable(c.name.clone()), 0.32 / cables.len() as f64)));
        shares.extend(sources.iter().map(|s| (Weakness::Beat(s.name.clone()), 0.14 / sources.len() as f64)));
        if conducted {
            shares.push((Weakness::Supply, 0.22));
        } else {
            shares.extend(slots.iter().map(|s| (Weakness::Slot(s.0.clone()), 0.13 / slots.len() as f64)));
            if housing_m.is_some() {
                shares.push((Weakness::Enclosure, 0.1));
            }
        }
        let truth = share(&mut random, &shares);
        let mut modes = Vec::new();
        if let Some([a, b, c]) = housing_m {
            let loading = random.between(0.82, 0.97);
            for (m, n, p) in [(1, 1, 0), (2, 1, 0), (1, 2, 0), (1, 0, 1), (0, 1, 1), (2, 2, 0), (3, 1, 0), (1, 1, 1)] {
                let k = |i: i32, side: f64| (f64::from(i) / side).powi(2);
                let at_hz = loading * 0.5 * LIGHT_M_PER_S * (k(m, a) + k(n, b) + k(p, c)).sqrt();
                modes.push(Resonator { at_hz, q: random.log_between(12.0, 50.0), gain: random.log_between(0.4, 1.0) });
            }
        }
        let mut sim = Self {
            product: UpsetProduct { cables, sources: sources.clone(), housing_m, slots: slots.clone() },
            truth: truth.clone(),
            injection,
            curves: Vec::new(),
            effect: None,
            lines,
            slots: slots
                .iter()
                .map(|s| Resonator {
                    at_hz: LIGHT_M_PER_S / (2.0 * s.1) * random.between(0.92, 1.03),
                    q: random.log_between(3.0, 10.0),
                    gain: 1.0,
                })
                .collect(),
            modes,
            windows: Vec::new(),
            supply: Resonator { at_hz: random.log_between(0.3e6, 5e6), q: random.between(1.0, 4.0), gain: 1.0 },
            odd: (0..=random.below(3))
                .map(|_| Resonator {
                    at_hz: random.log_between(1.1 * band.0, 0.9 * band.1),
                    q: random.log_between(4.0, 40.0),
                    gain: random.log_between(0.5, 1.0),
                })
                .collect(),
            junction: 1.0,
            corner_hz: random.log_between(band.1 * 0.2, band.1 * 2.0),
            offset_db: 0.0,
            modulated_is_all: false,
            seed,
        };
        for s in &sources {
            let (first, last) = ((band.0 / s.frequency_hz).ceil().max(1.0) as u64, (band.1 / s.frequency_hz) as u64);
            let width = random.log_between(1e-3, 5e-3);
            let shift = 1.0 + 1e-4 * random.between(-1.0, 1.0);
            for k in first..=last {
                // Odd multiples of a square wave are the stronger ones; all vary.
                let order = if k % 2 == 1 { 1.0 } else { 0.5 };
                let gain = order * 10f64.powf(random.normal() * 0.3) * (first as f64 / k as f64).sqrt();
                sim.windows.push((s.name.clone(), Window { at_hz: k as f64 * s.frequency_hz * shift, width, gain }));
            }
        }
        sim.balance(&mut random);
        sim.test(&mut random);
        sim.effect = sim.seen(&mut random);
        sim
    }

    /// Test frequencies: steps, and the known weak spots looked at extra, as the method asks.
    fn grid(&self) -> Vec<f64> {
        let (from, to, step) =
            if self.injection == Injection::Conducted { (150e3, 80e6, 1.02) } else { (80e6, 1e9, 1.01f64) };
        let mut f = vec![from];
        while f[f.len() - 1] * step < to {
            f.push(f[f.len() - 1] * step);
        }
        for s in &self.product.sources {
            f.extend((1..=12).map(|k| f64::from(k) * s.frequency_hz).filter(|f| *f > from && *f < to));
        }
        f.sort_unstable_by(f64::total_cmp);
        f
    }

    /// Disturbance by each way at a frequency, for 1 V/m or 1 V at a cable. The order: junction, cables, slots, housing, clocks,
    /// supply, unnamed.
    fn ways(&self, f: f64, driven: Option<usize>) -> Vec<(Weakness, f64)> {
        let roll = 1.0 / (1.0 + (f / self.corner_hz).powi(2)).sqrt();
        let mut out = Vec::new();
        let current = |k: usize| -> f64 {
            let line = &self.lines[k];
            match driven {
                None => line.lit(f),
                Some(d) => {
                    // The current into one cable leaves by the others and by the body's capacitance of 60 pF.
                    let body = Complex64::new(0.0, -1.0 / (std::f64::consts::TAU * f * 60e-12));
                    let mut out = 1.0 / body;
                    let mut mine = Complex64::from(0.0);
                    for (j, other) in self.lines.iter().enumerate().filter(|(j, _)| *j != d) {
                        let y = 1.0 / other.input(f);
                        out += y;
                        if j == k {
                            mine = y;
                        }
                    }
                    let total = 1.0 / (150.0 + self.lines[d].near(0.0) + 1.0 / out);
                    if k == d { total.norm() } else { (total * mine / out).norm() }
                }
            }
        };
        // A junction sees a little of every cable, through parts that keep no resonance.
        let mean = (0..self.lines.len()).map(|k| current(k).powi(2)).sum::<f64>().sqrt();
        let flat = match driven {
            None => 0.3 / (1.0 + (f / 400e6).powi(2)).sqrt() * 2e-3,
            Some(_) => 3e-3,
        };
        out.push((Weakness::Demodulation, self.junction * roll * (flat.powi(2) + (0.15 * mean).powi(2)).sqrt()));
        for (k, c) in self.product.cables.iter().enumerate() {
            let coupling = self.lines[k].transfer * (0.3 + f / 100e6) / (1.0 + f / 300e6);
            out.push((Weakness::Cable(c.name.clone()), coupling * current(k) * roll));
        }
        if driven.is_none() {
            for (s, r) in self.product.slots.iter().zip(&self.slots) {
                out.push((Weakness::Slot(s.0.clone()), 1e-3 * r.of(f)));
            }
            if self.product.housing_m.is_some() {
                let sum: f64 = self.modes.iter().map(|m| (m.of(f) * m.q / 10.0).powi(2)).sum();
                out.push((Weakness::Enclosure, 5e-4 * sum.sqrt()));
            }
        }
        for s in &self.product.sources {
            let of = self.windows.iter().filter(|w| w.0 == s.name);
            let sum: f64 = of.map(|(_, w)| (w.gain / (1.0 + ((f / w.at_hz - 1.0) / w.width).powi(2))).powi(2)).sum();
            out.push((Weakness::Beat(s.name.clone()), 1e-3 * sum.sqrt() * (0.5 + 100.0 * mean.min(0.02))));
        }
        let into_supply = match driven {
            None => 0.02,
            Some(d) if self.product.cables[d].supply => 1.0,
            Some(_) => 0.08,
        };
        let filter = self.supply.of(f) + 0.3 / (1.0 + f / self.supply.at_hz);
        out.push((Weakness::Supply, 3e-3 * into_supply * filter));
        let sum: f64 = self.odd.iter().map(|r| r.of(f).powi(2)).sum();
        out.push((Weakness::Other, 1e-3 * sum.sqrt()));
        out
    }

    fn drives(&self) -> Vec<Option<usize>> {
        match self.injection {
            Injection::Field => vec![None],
            Injection::Conducted => (0..self.lines.len()).map(Some).collect(),
        }
    }

    /// Gains such that the true way is 9 to 16 dB over the next in its worst case.
    fn balance(&mut self, random: &mut Random) {
        let grid = self.grid();
        let mut top: Vec<(Weakness, f64)> = Vec::new();
        for d in self.drives() {
            for f in &grid {
                for (w, v) in self.ways(*f, d) {
                    match top.iter_mut().find(|t| t.0 == w) {
                        Some(t) => t.1 = t.1.max(v),
                        None => top.push((w, v)),
                    }
                }
            }
        }
        for (w, v) in top {
            let db = if w == self.truth { random.between(0.0, 3.0) } else { -random.between(9.0, 18.0) };
            let gain = 10f64.powf(db / 20.0) / v.max(1e-30);
            self.scale(&w, gain);
        }
        // The product fails at 1 to 12 dB below the level required (0 dB).
        self.offset_db = random.between(1.0, 12.0);
    }

    fn scale(&mut self, w: &Weakness, gain: f64) {
        match w {
            Weakness::Demodulation => self.junction *= gain,
            Weakness::Cable(c) => {
                if let Some(k) = self.product.cables.iter().position(|x| x.name == *c) {
                    self.lines[k].transfer *= gain;
                }
            }
            Weakness::Slot(s) => {
                if let Some(k) = self.product.slots.iter().position(|x| x.0 == *s) {
                    self.slots[k].gain *= gain;
                }
            }
            Weakness::Enclosure => self.modes.iter_mut().for_each(|m| m.gain *= gain),
            Weakness::Beat(s) => {
                self.windows.iter_mut().filter(|x| x.0 == *s).for_each(|x| x.1.gain *= gain);
            }
            Weakness::Supply => self.supply.gain *= gain,
            _ => self.odd.iter_mut().for_each(|r| r.gain *= gain),
        }
    }

    /// The disturbance at a frequency, dB; without modulation a junction gives nothing audible and the rest its carrier only.
    fn disturbance_db(&self, f: f64, driven: Option<usize>, modulated: bool) -> f64 {
        let sum: f64 = self
            .ways(f, driven)
            .into_iter()
            .map(|(w, v)| {
                let part = match (w, modulated) {
                    (_, true) => 1.0,
                    (Weakness::Demodulation, false) => 0.12,
                    // The peak of 80 % AM is 1.8 times the carrier.
                    (_, false) => 1.0 / 1.8,
                };
                (v * part).powi(2)
            })
            .sum();
        10.0 * sum.max(1e-30).log10()
    }

    /// Levels go up to 8 dB above the required one.
    const TOP_DB: f64 = 8.0;

    fn curve(&self, driven: Option<usize>, modulated: bool, random: &mut Random) -> Curve {
        let points = self
            .grid()
            .into_iter()
            .map(|f| {
                let true_db = -self.disturbance_db(f, driven, modulated) - self.offset_db;
                let found = (true_db + 0.7 * random.normal()).ceil();
                CurvePoint { frequency_hz: f, threshold_db: found.min(Self::TOP_DB), at_least: found > Self::TOP_DB }
            })
            .collect();
        Curve { port: driven.map(|d| self.product.cables[d].name.clone()), modulated, points }
    }

    fn test(&mut self, random: &mut Random) {
        self.curves = self.drives().into_iter().map(|d| self.curve(d, true, random)).collect();
        self.modulated_is_all = true;
    }

    fn seen(&self, random: &mut Random) -> Option<Effect> {
        if random.chance(0.3) {
            return None;
        }
        let analogue = match self.truth {
            Weakness::Demodulation => 0.9,
            Weakness::Beat(_) => 0.4,
            _ => 0.3,
        };
        Some(if random.chance(analogue) {
            Effect::Analogue
        } else {
            [Effect::Data, Effect::Reset, Effect::Data, Effect::Latch][random.below(4)]
        })
    }

    /// The case as it stands after the test.
    pub fn case(&self) -> Option<UpsetCase> {
        UpsetCase::of_curves(&self.product, self.injection, &self.curves, self.effect)
    }

    /// What an experiment shows on this product, by the same physics.
    pub fn try_out(&self, experiment: &UpsetExperiment) -> Outcome {
        let mut random = Random::new(self.seed ^ 0xE4_9E_21);
        let (driven, f) = self
            .drives()
            .into_iter()
            .flat_map(|d| self.grid().into_iter().map(move |f| (d, f)))
            .max_by(|a, b| self.disturbance_db(a.1, a.0, true).total_cmp(&self.disturbance_db(b.1, b.0, true)))
            .unwrap_or((None, 1e8));
        let before = self.disturbance_db(f, driven, true);
        let noise = 0.7 * random.normal();
        let mut other = self.clone();
        let fell = |o: &Self, modulated: bool| before - o.disturbance_db(f, driven, modulated) + noise;
        let peak_moved = |o: &Self| {
            // The dip is looked for again within a third.
            let grid: Vec<f64> = (0..400).map(|k| f * (0.7f64.ln() + 0.7 * f64::from(k) / 400.0).exp()).collect();
            let at = |s: &Self| {
                let d = |x: &f64| s.disturbance_db(*x, driven, true);
                grid.iter().copied().max_by(|a, b| d(a).total_cmp(&d(b))).unwrap_or(f)
            };
            (at(o) / at(self) - 1.0).abs() > 0.06
        };
        let cable = |name: &str| self.product.cables.iter().position(|c| c.name == name);
        let changed = match experiment {
            UpsetExperiment::Unmodulated => fell(&other, false) >= 8.0,
            UpsetExperiment::FineStep => {
                [0.997, 1.003].iter().all(|k| self.disturbance_db(f * k, driven, true) < before - 3.0)
            }
            UpsetExperiment::Ferrite(c) => {
                if let Some(k) = cable(c) {
                    other.lines[k].ferrite_ohm = 180.0;
                }
                fell(&other, true) >= 3.0
            }
            UpsetExperiment::Length(c) => {
                if let Some(k) = cable(c) {
                    other.lines[k].length_m *= 1.25;
                }
                peak_moved(&other)
            }
            UpsetExperiment::Tape(s) => {
                if let Some(k) = self.product.slots.iter().position(|x| x.0 == *s) {
                    other.slots[k].gain *= 0.15;
                }
                fell(&other, true) >= 6.0
            }
            UpsetExperiment::Absorber => {
                for m in &mut other.modes {
                    m.gain *= 0.3;
                }
                fell(&other, true) >= 6.0
            }
            UpsetExperiment::Shift(s) => {
                for w in other.windows.iter_mut().filter(|w| w.0 == *s) {
                    w.1.at_hz *= 1.005;
                }
                fell(&other, true) >= 3.0
            }
            UpsetExperiment::FilterSupply => {
                other.supply.gain *= 0.1;
                fell(&other, true) >= 6.0
            }
            _ => false,
        };
        let changed = if random.chance(0.03) { !changed } else { changed };
        if changed { Outcome::Changed } else { Outcome::Unchanged }
    }
}

/// A product tested with pulses.
#[derive(Debug, Clone)]
pub struct SimulatedPulses {
    /// What its description says.
    pub product: UpsetProduct,
    /// The truth.
    pub truth: Weakness,
    /// The kind of pulses.
    pub kind: PulseKind,
    /// What was found.
    pub levels: Vec<PulseLevel>,
}

impl SimulatedPulses {
    /// Draws a product and works out at which level each victim is reached: a pulse at a port drives a current through source and
    /// port impedance; it makes a voltage at the port's pins by its transfer, at the common ground by an inductance that all ports
    /// share, at the rails by the supply's impedance, and a field inside by its distance from the victim.
    pub fn draw(seed: u64) -> Self {
        let mut random = Random::new(seed);
        let kind = [PulseKind::Burst, PulseKind::Discharge, PulseKind::Surge][random.below(3)];
        let ports: Vec<String> =
            (0..2 + random.below(3)).map(|k| if k == 0 { "mains".into() } else { format!("port {k}") }).collect();
        let mut shares: Vec<(Weakness, f64)> =
            ports.iter().map(|p| (Weakness::Pins(p.clone()), 0.4 / ports.len() as f64)).collect();
        shares.extend([(Weakness::GroundBounce, 0.22), (Weakness::Rails, 0.15), (Weakness::Other, 0.1)]);
        if kind != PulseKind::Surge {
            shares.push((Weakness::FieldInside, if kind == PulseKind::Discharge { 0.2 } else { 0.06 }));
        }
        let truth = share(&mut random, &shares);
        let gain = |w: &Weakness, random: &mut Random| {
            if *w == truth { 1.0 } else { 10f64.powf(-random.between(8.0, 18.0) / 20.0) }
        };
        let pins: Vec<f64> = ports.iter().map(|p| gain(&Weakness::Pins(p.clone()), &mut random)).collect();
        let (ground, rails, field, odd) = (
            gain(&Weakness::GroundBounce, &mut random),
            gain(&Weakness::Rails, &mut random),
            gain(&Weakness::FieldInside, &mut random),
            gain(&Weakness::Other, &mut random),
        );
        // The unnamed one prefers a port and a polarity at random.
        let (odd_port, odd_sign) = (random.below(ports.len()), random.chance(0.5));
        let offset_db = random.between(2.0, 12.0);
        let mut levels = Vec::new();
        let logic_margin = |random: &mut Random| random.between(0.35, 0.65);
        let threshold_of_pins: Vec<f64> = ports.iter().map(|_| logic_margin(&mut random)).collect();
        let effects = [Effect::Data, Effect::Reset, Effect::Latch];
        let of = |w: &[f64; 3], random: &mut Random| {
            let mut rest = random.unit();
            for (e, p) in effects.iter().zip(w) {
                rest -= p;
                if rest < 0.0 {
                    return *e;
                }
            }
            Effect::Data
        };
        let kinds_of_effect = [
            of(&[0.55, 0.1, 0.35], &mut random),
            of(&[0.3, 0.55, 0.15], &mut random),
            of(&[0.1, 0.8, 0.1], &mut random),
            of(&[0.3, 0.6, 0.1], &mut random),
            of(&[0.4, 0.4, 0.2], &mut random),
        ];
        for (k, port) in ports.iter().enumerate() {
            let source_ohm = match kind {
                PulseKind::Burst => 50.0,
                PulseKind::Discharge => 330.0,
                PulseKind::Surge => 12.0,
            };
            let port_ohm = random.log_between(30.0, 150.0);
            let current = 1.0 / (source_ohm + port_ohm) * (source_ohm + 60.0);
            for negative in [false, true] {
                let sign = if negative { -1.0 } else { 1.0 };
                // An input trips when it is pushed over the part of its swing that is left on that side.
                let room = if negative { threshold_of_pins[k] } else { 1.0 - threshold_of_pins[k] };
                let mut victims = [
                    current * pins[k] * 0.5 / room,
                    current * ground * random.log_between(0.8, 1.25),
                    rails * if k == 0 { 1.0 } else { 0.35 } * (1.0 - 0.1 * sign),
                    field * random.log_between(0.55, 1.0),
                    odd * if k == odd_port { 1.0 } else { 0.5 } * if negative == odd_sign { 1.0 } else { 0.75 },
                ];
                if kind == PulseKind::Surge {
                    victims[3] = 0.0;
                }
                let (which, _) = victims.iter().enumerate().max_by(|a, b| a.1.total_cmp(b.1)).unwrap_or((0, &0.0));
                let sum: f64 = victims.iter().map(|v| v.powi(4)).sum::<f64>().powf(0.25);
                let found = (-20.0 * sum.max(1e-9).log10() - offset_db + 0.8 * random.normal()).round();
                levels.push(PulseLevel {
                    port: port.clone(),
                    negative: Some(negative),
                    threshold_db: found.min(8.0),
                    at_least: found > 8.0,
                    effect: (found <= 8.0).then_some(kinds_of_effect[which]),
                });
            }
        }
        let cables =
            ports.iter().map(|p| UpsetCable { name: p.clone(), length_m: Some(3.0), supply: p == "mains" }).collect();
        Self { product: UpsetProduct { cables, ..UpsetProduct::default() }, truth, kind, levels }
    }

    /// The case as it stands after the test.
    pub fn case(&self) -> Option<UpsetCase> {
        UpsetCase::of_pulses(&self.product, self.kind, &self.levels)
    }
}
