//! Products built from circuits and measured by a simulated receiver, as a check on the case file that owes nothing to its
//! tables: switched trapezoids with ringing edges, rectifier pulses, contact bursts and transmitters reach a mains network or
//! an antenna over capacitances, resonant cables and a clamp's current; the level, the detectors and the time structure come
//! from the envelope behind a Gaussian filter, and what an experiment shows from the same product with a part changed. Which
//! device makes the emission is not drawn: it is whoever delivers most of its power.

use super::devices::{self, Device, Way};
use crate::case::{
    Case, CaseEvidence, CaseProduct, ClampReading, Conductors, Experiment, ExperimentKind, FieldReading, Maker,
    MakerKind, ModeLevel, Outcome, Path,
};
use crate::mode::Mode;
use crate::noise::{Readings, kind_from_detectors, time_structure};
use crate::resonance::{cable_resonances, near};
use crate::{CombSearch, PeakFinding, Random, explain, find_peaks};
use standards::Band;

/// What is measured.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Range {
    pub(super) from_hz: f64,
    pub(super) to_hz: f64,
    pub(super) bandwidth_hz: f64,
    /// Peak reading of the receiver's own noise, dB.
    pub(super) floor_db: f64,
    /// A flat limit, dB.
    pub(super) limit_db: f64,
    pub(super) radiated: bool,
}

const CONDUCTED: Range =
    Range { from_hz: 150e3, to_hz: 30e6, bandwidth_hz: 9e3, floor_db: 24.0, limit_db: 56.0, radiated: false };
const RADIATED: Range =
    Range { from_hz: 30e6, to_hz: 400e6, bandwidth_hz: 120e3, floor_db: 18.0, limit_db: 40.0, radiated: true };

/// A product on the bench, with its truth.
#[derive(Debug, Clone)]
pub struct BenchProduct {
    /// What its description says.
    pub product: CaseProduct,
    /// What kind of thing makes the emission.
    pub true_kind: MakerKind,
    /// Its name, where the product names it.
    pub true_maker: Option<String>,
    /// Frequency of the emission, Hz.
    pub frequency_hz: f64,
    /// What was observed.
    pub evidence: CaseEvidence,
    devices: Vec<Device>,
    cables: Vec<devices::Cable>,
    range: Range,
}

/// Cables of the product: name and length, m.
fn cables(random: &mut Random) -> Vec<devices::Cable> {
    let count = 2 + random.below(3);
    ["mains", "sensors", "actuators", "network"][..count]
        .iter()
        .map(|name| devices::Cable {
            name: (*name).to_owned(),
            length_m: random.log_between(0.8, 6.0),
            quality: random.between(1.5, 4.0),
            velocity: random.between(0.78, 0.98),
            // How well the antenna sees it: position, height, damping.
            seen_db: random.between(-9.0, 3.0),
        })
        .collect()
}

/// Draws a product in which one device delivers at least seven tenths of the power of the worst emission.
pub fn product(random: &mut Random) -> BenchProduct {
    drawn(false, random)
}

/// The same, measured as a recording of the mains or of the antenna is: every detector and the time structure are there.
pub fn recorded(random: &mut Random) -> BenchProduct {
    drawn(true, random)
}

fn drawn(recorded: bool, random: &mut Random) -> BenchProduct {
    loop {
        if let Some(p) = attempt(recorded, random) {
            return p;
        }
    }
}

fn attempt(recorded: bool, random: &mut Random) -> Option<BenchProduct> {
    let range = if random.chance(0.5) { CONDUCTED } else { RADIATED };
    let cables = cables(random);
    let mut devices = devices::draw(&cables, &range, random);
    // Filters and screens are as good as they are: each device's highest level lies anywhere about the limit, one is the
    // problem that brought the engineer to the bench.
    let problem = random.below(devices.len());
    for (k, device) in devices.iter_mut().enumerate() {
        let highest = highest(device, &cables, &range);
        let wanted =
            range.limit_db + if k == problem { random.between(1.0, 12.0) } else { random.between(-28.0, -1.0) };
        device.gain_db = wanted - highest;
    }
    let grid: Vec<f64> = {
        let step = 0.5 * range.bandwidth_hz;
        (0..((range.to_hz - range.from_hz) / step) as usize).map(|i| range.from_hz + step * i as f64).collect()
    };
    let level: Vec<f64> = grid
        .iter()
        .map(|f| {
            let own: f64 = devices.iter().map(|d| d.power(*f, &cables, &range)).sum();
            let noise = 10f64.powf((range.floor_db + 0.7 * random.normal()) / 10.0);
            10.0 * (own + noise).log10()
        })
        .collect();
    let worst = (0..grid.len()).max_by(|a, b| level[*a].total_cmp(&level[*b]))?;
    let mut peaks = find_peaks(&grid, &level, Some(range.bandwidth_hz), &PeakFinding::default()).ok()?;
    let peak = peaks
        .iter()
        .min_by(|a, b| (a.frequency_hz - grid[worst]).abs().total_cmp(&(b.frequency_hz - grid[worst]).abs()));
    let frequency_hz = match peak {
        Some(p) if (p.frequency_hz - grid[worst]).abs() <= range.bandwidth_hz => p.frequency_hz,
        _ => {
            let bandwidth_hz = range.bandwidth_hz;
            peaks.push(crate::Peak {
                frequency_hz: grid[worst],
                level_db: level[worst],
                bandwidth_hz,
                tolerance_hz: None,
            });
            peaks.sort_by(|a, b| a.frequency_hz.total_cmp(&b.frequency_hz));
            grid[worst]
        }
    };
    let powers: Vec<f64> = devices.iter().map(|d| d.power(frequency_hz, &cables, &range)).collect();
    let (true_index, most) = powers.iter().enumerate().max_by(|a, b| a.1.total_cmp(b.1)).map(|(k, p)| (k, *p))?;
    if most < 0.7 * powers.iter().sum::<f64>() {
        return None;
    }
    let names = cables.iter().map(|c| c.name.clone()).collect();
    let makers: Vec<Maker> = devices.iter().filter_map(|d| d.maker.clone()).collect();
    let product = CaseProduct { makers, cables: names, mains_cable: Some("mains".to_owned()), mains_hz: 50.0 };
    let sources: Vec<crate::Source> = product.makers.iter().filter_map(|m| m.source.clone()).collect();
    let explanation = explain(&peaks, &sources, &CombSearch::default()).ok()?;
    let evidence = CaseEvidence::of_peak(frequency_hz, &peaks, &explanation);
    let mut bench = BenchProduct {
        true_kind: devices[true_index].kind,
        true_maker: devices[true_index].maker.as_ref().map(|m| m.name.clone()),
        product,
        frequency_hz,
        evidence,
        devices,
        cables,
        range,
    };
    bench.observe(recorded, random);
    Some(bench)
}

fn highest(device: &Device, cables: &[devices::Cable], range: &Range) -> f64 {
    let at = |f: f64| 10.0 * device.power(f, cables, range).max(1e-30).log10();
    device.where_strong(range).into_iter().map(at).fold(-300.0, f64::max)
}

impl BenchProduct {
    fn level_db(&self, keep: &dyn Fn(&Device) -> f64) -> f64 {
        let own: f64 =
            self.devices.iter().map(|d| keep(d) * d.power(self.frequency_hz, &self.cables, &self.range)).sum();
        10.0 * (own + 10f64.powf(self.range.floor_db / 10.0)).log10()
    }

    /// Power of one way out of one device at the emission.
    fn way(&self, device: &Device, way: &Way) -> f64 {
        device.power_by(self.frequency_hz, way, &self.cables, &self.range)
    }

    fn observe(&mut self, recorded: bool, random: &mut Random) {
        let (range, f) = (self.range, self.frequency_hz);
        let seconds = if range.radiated { 0.2 } else { 0.4 };
        let envelope = devices::envelope(&self.devices, f, seconds, &self.cables, &range, random);
        if recorded || random.chance(0.8) {
            let band = if range.radiated { Band::C } else { Band::B };
            let mut r = devices::detectors(&envelope, 4.0 * range.bandwidth_hz, band);
            for level in [&mut r.peak_db, &mut r.quasi_peak_db, &mut r.average_db].into_iter().flatten() {
                *level += 0.5 * random.normal();
            }
            let readings = Readings { rms_db: None, ..r };
            self.evidence.kind = Some(kind_from_detectors(&readings, range.bandwidth_hz, band).kind);
        }
        if recorded || random.chance(0.6) {
            // Cells as long as those kept with a run of this length.
            let cell = (4.0 * range.bandwidth_hz * 4e-4) as usize;
            let cell_s = cell as f64 / (4.0 * range.bandwidth_hz);
            let levels: Vec<f64> =
                envelope.chunks_exact(cell).map(|c| 20.0 * c.iter().copied().fold(1e-9, f64::max).log10()).collect();
            self.evidence.timing = time_structure(&levels, cell_s, 50.0).map(|t| t.structure);
        }
        if random.chance(0.4) {
            let on = self.level_db(&|_| 1.0) + random.normal();
            let off = self.level_db(&|d| f64::from(u8::from(d.kind == MakerKind::Ambient))) + random.normal();
            self.evidence.off_and_on_db = Some((off, on));
        }
        if random.chance(0.5) {
            self.evidence.operating_modes = (0..3)
                .map(|m| ModeLevel {
                    mode: format!("mode {}", m + 1),
                    level_db: self.level_db(&|d| 10f64.powf(d.by_mode_db[m] / 10.0)) + 1.5 * random.normal(),
                    runs: 1,
                })
                .collect();
        }
        let all: Vec<_> = self.cables.iter().flat_map(|c| cable_resonances(&c.name, c.length_m, 1.1 * f)).collect();
        let found: Vec<_> = near(&all, f).into_iter().cloned().collect();
        for r in found {
            if !self.evidence.resonances.iter().any(|o| o.resonator == r.resonator) {
                self.evidence.resonances.push(r);
            }
        }
        let ways: Vec<(Way, f64)> = self
            .devices
            .iter()
            .flat_map(|d| d.ways().into_iter().map(|(w, _)| (self.way(d, &w), w)).map(|(p, w)| (w, p)))
            .collect();
        let power = |way: &Way| ways.iter().filter(|w| w.0 == *way).map(|w| w.1).sum::<f64>();
        if range.radiated && random.chance(0.4) {
            let level = self.level_db(&|_| 1.0);
            self.evidence.field = Some(FieldReading { level_dbuv_per_m: level + random.normal(), distance_m: 3.0 });
            self.evidence.clamps = self
                .cables
                .iter()
                .map(|c| ClampReading {
                    cable: c.name.clone(),
                    current_dbua: c.current_dbua(power(&Way::Cable(c.name.clone())), f) + 1.5 * random.normal(),
                    length_m: Some(c.length_m),
                })
                .collect();
        }
        if !range.radiated && random.chance(0.4) {
            let (common, differential) = (power(&Way::Cable("mains".into())), power(&Way::Differential));
            let ratio_db = 10.0 * (common / differential.max(1e-30)).log10() + random.normal();
            self.evidence.mode = Some(match ratio_db {
                d if d > 3.0 => Mode::Common,
                d if d < -3.0 => Mode::Differential,
                _ => Mode::Both,
            });
        } else if !range.radiated && random.chance(0.5) {
            let level = self.level_db(&|_| 1.0);
            let neutral = level - random.between(0.0, 3.0);
            self.evidence.conductors = Some(Conductors { line_dbuv: level, neutral_dbuv: neutral });
        }
    }

    /// Its case as first opened.
    pub fn case(&self) -> Case {
        Case::open(&self.product, &self.evidence)
    }

    /// Place of the true maker in a ranking, from 0.
    pub fn place(&self, case: &Case) -> usize {
        let is_true = |m: &Maker| match &self.true_maker {
            Some(name) => m.name == *name,
            None => m.kind == self.true_kind,
        };
        case.ranking().iter().position(|r| is_true(&r.maker)).unwrap_or(usize::MAX)
    }

    /// The way by which most of the power leaves.
    pub fn true_path(&self) -> Path {
        let mut ways: Vec<(Path, f64)> = Vec::new();
        for d in &self.devices {
            for (way, path) in d.ways() {
                ways.push((path, self.way(d, &way)));
            }
        }
        let mut sums: Vec<(Path, f64)> = Vec::new();
        for (path, p) in ways {
            match sums.iter_mut().find(|s| s.0 == path) {
                Some(s) => s.1 += p,
                None => sums.push((path, p)),
            }
        }
        sums.into_iter().max_by(|a, b| a.1.total_cmp(&b.1)).map_or(Path::Direct, |s| s.0)
    }

    /// What an experiment shows: the level of the same product with the part changed, each reading with 1 dB of error, and
    /// whether the frequency moved.
    pub fn perform(&self, experiment: &Experiment, random: &mut Random) -> Outcome {
        let f = self.frequency_hz;
        let before = self.level_db(&|_| 1.0);
        let named = |d: &Device, name: &String| d.maker.as_ref().is_some_and(|m| m.name == *name);
        let without = |cable: &String, loss: f64| {
            let own: f64 = self
                .devices
                .iter()
                .map(|d| {
                    let whole = d.power(f, &self.cables, &self.range);
                    whole - (1.0 - loss) * self.way(d, &Way::Cable(cable.clone()))
                })
                .sum();
            10.0 * (own.max(0.0) + 10f64.powf(self.range.floor_db / 10.0)).log10()
        };
        let dominated = |name: &String| named(self.loudest(), name);
        let (after, needed_db, moved) = match &experiment.kind {
            ExperimentKind::SwitchOff => {
                (self.level_db(&|d| f64::from(u8::from(d.kind == MakerKind::Ambient))), 6.0, false)
            }
            ExperimentKind::Unplug { cable } => (without(cable, 0.0), 6.0, false),
            ExperimentKind::ClipFerrite { cable } => {
                // Two clip-on ferrites: 200 Ω from some 20 MHz on, falling with frequency below, against 150 to 300 Ω.
                let z = 200.0 * (f / 20e6).min(1.0);
                let source = random.between(150.0, 300.0);
                (without(cable, (source / (source + z)).powi(2)), 3.0, false)
            }
            ExperimentKind::Stop { maker } => (self.level_db(&|d| f64::from(u8::from(!named(d, maker)))), 4.0, false),
            ExperimentKind::ChangeLoad { maker } => {
                let converter = dominated(maker) && self.loudest().kind == MakerKind::Converter;
                let change = 10f64.powf(self.loudest().by_load_db / 10.0);
                let level = self.level_db(&|d| if converter && named(d, maker) { change } else { 1.0 });
                (before - (level - before).abs(), 3.0, converter && self.loudest().moves_with_load)
            }
            ExperimentKind::Cool { maker } => {
                let own = dominated(maker);
                // A converter's oscillator drifts by some tenths of a per cent, a crystal by parts per million.
                let drift_hz = f * if self.loudest().kind == MakerKind::Clock { 10e-6 } else { 4e-3 };
                (before, 3.0, own && drift_hz > 0.2 * self.range.bandwidth_hz)
            }
            ExperimentKind::SlowEdge { maker } => {
                let slower = |d: &Device| {
                    if named(d, maker) {
                        let whole = d.power(f, &self.cables, &self.range);
                        d.with_slower_edges(3.0).power(f, &self.cables, &self.range) / whole.max(1e-30)
                    } else {
                        1.0
                    }
                };
                (self.level_db(&slower), 3.0, false)
            }
        };
        let fell = before - after + 1.4 * random.normal();
        if fell >= needed_db || moved { Outcome::Changed } else { Outcome::Unchanged }
    }

    fn loudest(&self) -> &Device {
        let power = |d: &&Device| d.power(self.frequency_hz, &self.cables, &self.range);
        self.devices.iter().max_by(|a, b| power(a).total_cmp(&power(b))).expect("a product has devices")
    }
}
