//! Thresholds over frequency: dips, and how well each hypothesis explains the shape.
//!
//! The susceptibility (minus the threshold, dB) is parted into narrow spikes and the rest. The rest is taken as a smooth part, a
//! parabola over log frequency, plus what a hypothesis adds: rises at the resonances of a cable, a slot, the housing or the
//! supply's filter, each with an amplitude of its own, fitted by least squares. A hypothesis pays for each amplitude (half the
//! logarithm of the points, Schwarz 1978) and for each choice of a place; over what is not known of it (speed on the cable,
//! quality, loading) its likelihood is averaged. "None of these" may put rises anywhere and pays more for each. Spikes are
//! counted against the multiples of each clock.

use num_complex::Complex64;
use serde::{Deserialize, Serialize};

use super::{Injection, Piece, UpsetCable, UpsetProduct, Weakness};
use crate::resonance::{LIGHT_M_PER_S, enclosure_resonances, slot_resonance};
use crate::{Source, hertz};

/// A threshold at one frequency.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct CurvePoint {
    /// Frequency, Hz.
    pub frequency_hz: f64,
    /// Threshold, dB of the caller's unit.
    pub threshold_db: f64,
    /// Nothing failed up to that level.
    pub at_least: bool,
}

/// A curve of thresholds.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
pub struct Curve {
    /// The cable that was driven, in a conducted test.
    pub port: Option<String>,
    /// The carrier was modulated.
    pub modulated: bool,
    /// In ascending order of frequency.
    pub points: Vec<CurvePoint>,
}

/// A dip of the threshold.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Dip {
    /// Its lowest point, Hz.
    pub frequency_hz: f64,
    /// How far it stands below what surrounds it, dB.
    pub depth_db: f64,
    /// Width at half of the depth (in dB), over the frequency.
    pub relative_width: f64,
}

/// Rise of the threshold without modulation that speaks of demodulation: well above the 5.1 dB of the envelope's peak at 80 %.
pub(super) const UNMODULATED_RISE_DB: f64 = 8.0;

/// The curve with the lowest threshold among the modulated ones.
pub(super) fn worst(curves: &[Curve]) -> Option<&Curve> {
    let usable = |c: &&Curve| c.points.iter().any(|p| !p.at_least);
    let modulated = curves.iter().filter(|c| c.modulated).filter(usable);
    let low = |c: &&Curve| lowest(c).threshold_db;
    modulated
        .min_by(|a, b| low(a).total_cmp(&low(b)))
        .or_else(|| curves.iter().filter(usable).min_by(|a, b| low(a).total_cmp(&low(b))))
}

/// The point with the lowest threshold.
pub(super) fn lowest(curve: &Curve) -> CurvePoint {
    let failing = curve.points.iter().filter(|p| !p.at_least);
    let least = failing.min_by(|a, b| a.threshold_db.total_cmp(&b.threshold_db)).or(curve.points.first());
    least.copied().unwrap_or(CurvePoint { frequency_hz: 0.0, threshold_db: 0.0, at_least: true })
}

/// Mean rise of the threshold when the modulation is taken off, where a table has both at the same frequencies.
pub(super) fn unmodulated_rise_db(curves: &[Curve]) -> Option<f64> {
    let mut rises = Vec::new();
    for plain in curves.iter().filter(|c| !c.modulated) {
        for with in curves.iter().filter(|c| c.modulated && c.port == plain.port) {
            for p in &plain.points {
                let same =
                    with.points.iter().find(|q| (q.frequency_hz / p.frequency_hz - 1.0).abs() < 1e-4 && !q.at_least);
                rises.extend(same.map(|q| p.threshold_db - q.threshold_db));
            }
        }
    }
    (!rises.is_empty()).then(|| rises.iter().sum::<f64>() / rises.len() as f64)
}

/// Least depth of a dip, dB.
const LEAST_DEPTH_DB: f64 = 4.0;

/// The dips of a curve, the deepest first: lows that stand at least 4 dB below the lower of the two highs beside them.
pub fn find_dips(curve: &Curve) -> Vec<Dip> {
    let y: Vec<f64> = curve.points.iter().map(|p| p.threshold_db).collect();
    let f: Vec<f64> = curve.points.iter().map(|p| p.frequency_hz).collect();
    let mut out = Vec::new();
    let mut k = 0;
    while k < y.len() {
        let mut end = k;
        while end + 1 < y.len() && (y[end + 1] - y[k]).abs() < 1e-9 {
            end += 1;
        }
        let falls_before = k == 0 || y[k - 1] > y[k];
        let rises_after = end + 1 >= y.len() || y[end + 1] > y[k];
        if falls_before && rises_after && !(k == 0 && end + 1 >= y.len()) {
            let left = highest_before_lower(y[..k].iter().rev(), y[k]);
            let right = highest_before_lower(y[end + 1..].iter(), y[k]);
            let depth_db = match (left, right) {
                (Some(a), Some(b)) => a.min(b) - y[k],
                (Some(a), None) | (None, Some(a)) => a - y[k],
                _ => 0.0,
            };
            if depth_db >= LEAST_DEPTH_DB {
                let half = y[k] + 0.5 * depth_db;
                let from = (0..k).rev().find(|i| y[*i] > half).map_or(f[0], |i| (f[i] * f[i + 1]).sqrt());
                let to = (end + 1..y.len()).find(|i| y[*i] > half).map_or(f[f.len() - 1], |i| (f[i] * f[i - 1]).sqrt());
                let at = (f[k] * f[end]).sqrt();
                out.push(Dip { frequency_hz: at, depth_db, relative_width: (to - from) / at });
            }
        }
        k = end + 1;
    }
    out.sort_by(|a, b| b.depth_db.total_cmp(&a.depth_db));
    out
}

/// The highest of the values on one side before one is lower than the low itself; nothing at the end of the curve.
fn highest_before_lower<'a>(values: impl Iterator<Item = &'a f64>, low: f64) -> Option<f64> {
    let mut top = None;
    for v in values {
        if *v < low {
            break;
        }
        top = Some(top.map_or(*v, |t: f64| t.max(*v)));
    }
    top
}

/// Deviation of a threshold from what a right hypothesis predicts: repeatability of the finding and coarseness of the model, dB.
const SIGMA_DB: f64 = 1.6;
/// What "none of these" explains of any curve, dB, and at which price.
const ANYTHING_DB: f64 = 2.5;
const ANYTHING_PRICE: f64 = 8.0;
/// So many points of a curve say something of their own; the rest go with their neighbours.
const INDEPENDENT: f64 = 45.0;

/// A curve with its smooth part taken out.
#[derive(Clone)]
struct Shape {
    f: Vec<f64>,
    basis: Vec<Vec<f64>>,
    left: Vec<f64>,
    /// Independent points.
    n: f64,
    /// Part of the points at the top of the rig: what lies beyond is not seen.
    unseen: f64,
}

fn dot(a: &[f64], b: &[f64]) -> f64 {
    a.iter().zip(b).map(|(x, y)| x * y).sum()
}

/// What is left of a vector beside orthonormal ones.
fn beside(basis: &[Vec<f64>], v: &[f64]) -> Vec<f64> {
    let mut out = v.to_vec();
    for b in basis {
        let d = dot(b, &out);
        for (o, b) in out.iter_mut().zip(b) {
            *o -= d * b;
        }
    }
    out
}

fn normed(mut v: Vec<f64>) -> Option<Vec<f64>> {
    let n = dot(&v, &v).sqrt();
    (n > 1e-9).then(|| {
        for x in &mut v {
            *x /= n;
        }
        v
    })
}

impl Shape {
    fn of(curve: &Curve) -> Self {
        let f: Vec<f64> = curve.points.iter().map(|p| p.frequency_hz).collect();
        let (a, b) = (f[0].ln(), f[f.len() - 1].ln());
        let x: Vec<f64> = f.iter().map(|f| if b > a { 2.0 * (f.ln() - a) / (b - a) - 1.0 } else { 0.0 }).collect();
        let mut basis: Vec<Vec<f64>> = Vec::new();
        for power in 0..3 {
            let v = beside(&basis, &x.iter().map(|x| x.powi(power)).collect::<Vec<f64>>());
            basis.extend(normed(v));
        }
        let left = beside(&basis, &without_spikes(curve));
        let n = (f.len() as f64).min(INDEPENDENT);
        let unseen = curve.points.iter().filter(|p| p.at_least).count() as f64 / f.len() as f64;
        Self { f, basis, left, n, unseen }
    }

    fn ln(&self, rss: f64) -> f64 {
        let per_point = rss / self.left.len() as f64 / (SIGMA_DB * SIGMA_DB);
        -0.5 * self.n * (1.0 + per_point).ln()
    }

    fn rss(&self) -> f64 {
        dot(&self.left, &self.left)
    }

    /// Price of an amplitude.
    fn price(&self) -> f64 {
        0.5 * self.n.ln()
    }

    /// What is left when a shape is added with the best amplitude above zero.
    fn with(&self, v: &[f64]) -> (f64, Option<Vec<f64>>) {
        let Some(u) = normed(beside(&self.basis, v)) else { return (self.rss(), None) };
        let a = dot(&u, &self.left);
        if a <= 0.0 { (self.rss(), None) } else { (self.rss() - a * a, Some(u)) }
    }

    /// Takes a shape in.
    fn taken(&self, u: Vec<f64>) -> Self {
        let a = dot(&u, &self.left);
        let left = self.left.iter().zip(&u).map(|(l, u)| l - a * u).collect();
        let mut basis = self.basis.clone();
        basis.push(u);
        Self { f: self.f.clone(), basis, left, n: self.n, unseen: self.unseen }
    }

    /// Takes rises in from candidates, one after the other, while each pays for itself. The logarithm of the likelihood, and
    /// where they stand.
    fn greedy(&self, candidates: &[f64], q: f64, most: usize) -> (f64, Vec<f64>) {
        let mut now = self.clone();
        let mut ln = now.ln(now.rss());
        let mut taken: Vec<f64> = Vec::new();
        let choice = (candidates.len() as f64).ln();
        while taken.len() < most {
            let fits = candidates.iter().filter(|f| !taken.contains(f)).map(|f| (*f, now.with(&now.resonance(*f, q))));
            let Some((at, (rss, Some(u)))) = fits.min_by(|a, b| a.1.0.total_cmp(&b.1.0)) else { break };
            let gain = now.ln(rss) - now.ln(now.rss()) - now.price() - choice;
            if gain <= 0.0 {
                break;
            }
            ln += gain;
            now = now.taken(u);
            taken.push(at);
        }
        taken.sort_unstable_by(f64::total_cmp);
        (ln, taken)
    }

    /// Cuts a shape off from below as the highest level of the rig cut the curve.
    fn clip(&self, v: &mut [f64]) {
        let mut sorted = v.to_vec();
        sorted.sort_unstable_by(f64::total_cmp);
        let cut = sorted[((sorted.len() - 1) as f64 * self.unseen) as usize];
        for x in v.iter_mut() {
            *x = x.max(cut);
        }
    }

    /// The rise of a resonance of quality `q`, dB over its skirts.
    fn resonance(&self, at: f64, q: f64) -> Vec<f64> {
        self.f
            .iter()
            .map(|f| {
                let p = 1.0 / (1.0 + (q * (f / at - at / f)).powi(2));
                10.0 * (p + 0.03).log10() + 15.2
            })
            .collect()
    }
}

/// Logarithm of the mean of likelihoods, and the index of the largest.
fn averaged(ln: &[f64]) -> (f64, usize) {
    let k = (0..ln.len()).max_by(|a, b| ln[*a].total_cmp(&ln[*b])).unwrap_or(0);
    let top = ln.get(k).copied().unwrap_or(f64::NEG_INFINITY);
    let sum: f64 = ln.iter().map(|l| (l - top).exp()).sum();
    (top + (sum / ln.len().max(1) as f64).ln(), k)
}

/// A rise over its neighbours within 4 % that is narrower than those, dB.
const SPIKE_DB: f64 = 3.5;

/// The median of the susceptibility about each point.
fn medians(curve: &Curve) -> Vec<f64> {
    let p = &curve.points;
    (0..p.len())
        .map(|k| {
            let near = |q: &CurvePoint| (q.frequency_hz / p[k].frequency_hz).ln().abs() < 0.04;
            let mut v: Vec<f64> = p.iter().filter(|q| near(q)).map(|q| -q.threshold_db).collect();
            v.sort_unstable_by(f64::total_cmp);
            v[v.len() / 2]
        })
        .collect()
}

/// Frequencies of narrow spikes: no more than a third of the points about them stand as high.
fn spikes(curve: &Curve) -> Vec<f64> {
    let medians = medians(curve);
    let high: Vec<bool> =
        curve.points.iter().zip(&medians).map(|(p, m)| !p.at_least && -p.threshold_db - m >= SPIKE_DB).collect();
    let mut out = Vec::new();
    let mut k = 0;
    while k < high.len() {
        let mut end = k;
        while high[k] && end + 1 < high.len() && high[end + 1] {
            end += 1;
        }
        if high[k] {
            let of = &curve.points[k..=end];
            let width = of[of.len() - 1].frequency_hz / of[0].frequency_hz - 1.0;
            if width < 0.022 {
                out.extend(of.iter().min_by(|a, b| a.threshold_db.total_cmp(&b.threshold_db)).map(|p| p.frequency_hz));
            }
        }
        k = end + 1;
    }
    out
}

fn without_spikes(curve: &Curve) -> Vec<f64> {
    let medians = medians(curve);
    let cut = |(p, m): (&CurvePoint, &f64)| if -p.threshold_db - m >= SPIKE_DB { *m } else { -p.threshold_db };
    curve.points.iter().zip(&medians).map(cut).collect()
}

/// What the curves say of each hypothesis.
pub(super) struct Weigh<'a> {
    pub(super) product: &'a UpsetProduct,
    pub(super) injection: Injection,
    pub(super) curves: &'a [Curve],
    pub(super) worst: &'a Curve,
}

impl Weigh<'_> {
    /// The shape of the worst curve.
    pub(super) fn shape(&self, weaknesses: &[Weakness], dips: &[Dip]) -> Piece {
        let shape = Shape::of(self.worst);
        let smooth = shape.ln(shape.rss());
        let (mut other, mut other_words) = other_shape(&shape);
        // Whatever is not described can make any curve as rough as this one; it is believed where all else deviates by more.
        let anything = shape.ln(ANYTHING_DB * ANYTHING_DB * shape.left.len() as f64) - ANYTHING_PRICE;
        if anything > other {
            other = anything;
            other_words = "No smooth curve with a few resonances comes near this one.".into();
        }
        // In a conducted test the current leaves by the other cables, whatever it disturbs.
        let (way, way_words) = match self.injection {
            Injection::Field => {
                // A junction sees a little of every cable.
                let ripple = self.product.cables.iter().filter_map(|c| gentle(&shape, c));
                let all: Vec<f64> = ripple.chain([smooth]).collect();
                (averaged(&all).0.max(smooth - 0.7), smooth_words(&shape, dips))
            }
            Injection::Conducted => (averaged(&[smooth, other]).0, String::new()),
        };
        let found: Vec<(f64, String)> = weaknesses
            .iter()
            .map(|w| match w {
                Weakness::Cable(name) if self.injection == Injection::Field => {
                    let cable = self.product.cables.iter().find(|c| c.name == *name);
                    cable.map_or((smooth, String::new()), |c| cable_shape(&shape, c))
                }
                Weakness::Slot(name) => {
                    let slot = self.product.slots.iter().find(|s| s.0 == *name);
                    slot.map_or((smooth, String::new()), |s| slot_shape(&shape, s.1))
                }
                Weakness::Enclosure => {
                    self.product.housing_m.map_or((smooth, String::new()), |sides| housing_shape(&shape, sides))
                }
                // A beat says nothing of the rest of the curve.
                Weakness::Beat(_) => (averaged(&[smooth, other]).0, String::new()),
                Weakness::Supply if self.injection == Injection::Conducted => supply_shape(&shape),
                Weakness::Other => (other, other_words.clone()),
                _ => (way, way_words.clone()),
            })
            .collect();
        let found = doubted(found);
        let left = |ln: f64| SIGMA_DB * ((-2.0 * ln / shape.n).exp() - 1.0).max(0.0).sqrt();
        Piece {
            text: format!("The shape of the curve; without any resonance it deviates by {:.1} dB.", left(smooth)),
            own: found.iter().map(|(_, t)| (!t.is_empty()).then(|| t.clone())).collect(),
            ln: found.iter().map(|x| x.0).collect(),
        }
    }

    /// Narrow spikes, against the multiples of each clock.
    pub(super) fn narrow(&self, weaknesses: &[Weakness]) -> Piece {
        let spikes = spikes(self.worst);
        let lowest_hz = lowest(self.worst).frequency_hz;
        let f: Vec<f64> = self.worst.points.iter().map(|p| p.frequency_hz).collect();
        let at_lowest = spikes.iter().any(|s| (s / lowest_hz - 1.0).abs() < 0.01);
        let found: Vec<(f64, Option<String>)> = weaknesses
            .iter()
            .map(|w| match w {
                Weakness::Beat(name) => match self.product.sources.iter().find(|s| s.name == *name) {
                    Some(s) => beat(s, &spikes, &f, at_lowest),
                    None => (0.0, None),
                },
                // What else there is in the product may make one or two, too; the lowest point is then elsewhere.
                Weakness::Other => (-0.7 * spikes.len().min(4) as f64 - if at_lowest { 0.7 } else { 0.0 }, None),
                _ => (-0.5 * spikes.len().min(4) as f64 - if at_lowest { 1.6 } else { 0.0 }, None),
            })
            .collect();
        let text = match spikes.len() {
            0 => "No dip is narrower than the steps show.".to_owned(),
            1 => format!("One dip is narrow, at {}.", hertz(spikes[0])),
            n => format!("{n} dips are narrow, no wider than two steps."),
        };
        Piece { text, ln: found.iter().map(|x| x.0).collect(), own: found.into_iter().map(|x| x.1).collect() }
    }

    /// Which cable was driven where it failed lowest, in a conducted test.
    pub(super) fn port(&self, weaknesses: &[Weakness]) -> Option<Piece> {
        let mut by_port: Vec<(&str, f64)> = Vec::new();
        for c in self.curves.iter().filter(|c| c.modulated) {
            let Some(port) = c.port.as_deref() else { continue };
            let low = lowest(c).threshold_db;
            match by_port.iter_mut().find(|p| p.0 == port) {
                Some(p) => p.1 = p.1.min(low),
                None => by_port.push((port, low)),
            }
        }
        by_port.sort_by(|a, b| a.1.total_cmp(&b.1));
        let [first, second, ..] = by_port[..] else { return None };
        let apart_db = second.1 - first.1;
        let n = by_port.len() as f64;
        let supply = |name: &str| self.product.cables.iter().any(|c| c.name == name && c.supply);
        // Probability that this port is the lowest by so much.
        let clear = apart_db >= 4.0;
        let p = |w: &Weakness| match w {
            Weakness::Cable(c) if c == first.0 => {
                if clear {
                    0.7
                } else {
                    0.35
                }
            }
            Weakness::Cable(_) => 0.1 / n,
            Weakness::Supply if supply(first.0) => {
                if clear {
                    0.75
                } else {
                    0.4
                }
            }
            Weakness::Supply => 0.05,
            _ => {
                if clear {
                    0.35 / n
                } else {
                    0.65 / n
                }
            }
        };
        Some(Piece {
            text: format!("It fails lowest with “{}” driven, {apart_db:.1} dB below the next cable.", first.0),
            own: vec![None; weaknesses.len()],
            ln: weaknesses.iter().map(|w| f64::ln(p(w))).collect(),
        })
    }
}

/// The model of a right hypothesis may be wrong, too: none falls behind the best by more than a factor of 400.
fn doubted(mut found: Vec<(f64, String)>) -> Vec<(f64, String)> {
    const MOST: f64 = 6.0;
    let best = found.iter().map(|x| x.0).fold(f64::NEG_INFINITY, f64::max);
    for x in &mut found {
        x.0 = x.0.max(best - MOST);
    }
    found
}

fn smooth_words(shape: &Shape, dips: &[Dip]) -> String {
    let rms = (shape.rss() / shape.left.len() as f64).sqrt();
    let wide = dips.iter().all(|d| d.relative_width > 0.5);
    if dips.is_empty() || wide {
        format!("The threshold changes smoothly with frequency (deviates by {rms:.1} dB), as without a resonance.")
    } else {
        format!(
            "{} dips stand out of a smooth curve (deviates by {rms:.1} dB); without a resonance there would be none.",
            dips.len()
        )
    }
}

/// What a cable's far end is to it, over its own impedance: open, earthed, or some of both.
const FAR_ENDS: [(&str, f64); 3] = [("open", 100.0), ("earthed", 0.02), ("joined to something", 0.5)];
const SPEEDS: usize = 14;

/// Current at the near end of a cable lit evenly along its length, dB of any reference: the line over ground with a lossy wave,
/// a near end of a part `near` of its impedance and a far end of `far` of it (textbook; the parabola takes the slopes).
fn lit_db(f: &[f64], length_m: f64, speed: f64, near: f64, far: f64, floor_db: f64) -> Vec<f64> {
    let raw: Vec<f64> = f
        .iter()
        .map(|f| {
            let theta = std::f64::consts::TAU * f * length_m / (speed * LIGHT_M_PER_S);
            let g = Complex64::new(0.06, theta);
            let (sh, ch) = (g.sinh(), g.cosh());
            ((sh + far * (ch - 1.0)) / ((near + far) * ch + (1.0 + near * far) * sh)).norm_sqr()
        })
        .collect();
    let top = raw.iter().copied().fold(0.0, f64::max);
    let floor = top * 10f64.powf(floor_db / 10.0);
    raw.iter().map(|v| 10.0 * (v + floor).log10()).collect()
}

fn cable_shape(shape: &Shape, cable: &UpsetCable) -> (f64, String) {
    let smooth = shape.ln(shape.rss());
    let Some(length_m) = cable.length_m.filter(|l| *l > 0.0) else {
        return (smooth, "Its length is not known: its resonances could not be looked for.".into());
    };
    let mut fits: Vec<(f64, f64, usize, Vec<f64>)> = Vec::new();
    for s in (0..SPEEDS).map(|k| 0.66 + 0.35 * k as f64 / (SPEEDS - 1) as f64) {
        for (k, (_, far)) in FAR_ENDS.iter().enumerate() {
            for near in [0.03, 0.12, 0.35] {
                for floor_db in [-9.0, -16.0] {
                    let mut v = lit_db(&shape.f, length_m, s, near, *far, floor_db);
                    shape.clip(&mut v);
                    let (rss, _) = shape.with(&v);
                    fits.push((shape.ln(rss) - shape.price(), s, k, v));
                }
            }
        }
    }
    let (ln, k) = averaged(&fits.iter().map(|f| f.0).collect::<Vec<f64>>());
    let (_, s, far, v) = &fits[k];
    let mut tops: Vec<(f64, f64)> =
        (1..v.len() - 1).filter(|k| v[*k] > v[*k - 1] && v[*k] >= v[*k + 1]).map(|k| (shape.f[k], v[k])).collect();
    tops.sort_by(|a, b| b.1.total_cmp(&a.1));
    tops.truncate(4);
    tops.sort_by(|a, b| a.0.total_cmp(&b.0));
    let list: Vec<String> = tops.iter().map(|t| hertz(t.0)).collect();
    let at = if list.is_empty() { "no resonance inside the range".to_owned() } else { list.join(", ") };
    let left = (shape.rss() / shape.left.len() as f64).sqrt();
    let with = (shape.with(v).0 / shape.left.len() as f64).sqrt();
    (
        ln,
        format!(
            "Its {length_m} m, far end {}, {s:.2} of the speed of light, would be lit best at {at}; the curve deviates from that by {with:.1} dB ({left:.1} dB without).",
            FAR_ENDS[*far].0
        ),
    )
}

/// A curve that follows a cable's resonances by a few decibels only.
fn gentle(shape: &Shape, cable: &UpsetCable) -> Option<f64> {
    let length_m = cable.length_m.filter(|l| *l > 0.0)?;
    let mut ln = Vec::new();
    for s in (0..SPEEDS).map(|k| 0.66 + 0.35 * k as f64 / (SPEEDS - 1) as f64) {
        for (_, far) in FAR_ENDS {
            let mut v = lit_db(&shape.f, length_m, s, 0.12, far, -3.0);
            shape.clip(&mut v);
            ln.push(shape.ln(shape.with(&v).0) - shape.price());
        }
    }
    Some(averaged(&ln).0)
}

fn slot_shape(shape: &Shape, length_m: f64) -> (f64, String) {
    let own = slot_resonance(length_m).frequency_hz;
    let mut fits = Vec::new();
    for factor in (0..10).map(|k| 0.88 + 0.02 * f64::from(k)) {
        for q in [2.0, 4.0, 8.0, 14.0] {
            fits.push((shape.greedy(&[factor * own], q, 1).0, factor * own));
        }
    }
    let (ln, k) = averaged(&fits.iter().map(|f| f.0).collect::<Vec<f64>>());
    (ln, format!("Half a wave of {:.0} mm is {}; a dip fits best at {}.", 1e3 * length_m, hertz(own), hertz(fits[k].1)))
}

fn supply_shape(shape: &Shape) -> (f64, String) {
    let mut fits = vec![(shape.ln(shape.rss()), 0.0)];
    for at in (0..14).map(|k| 0.2e6 * 40f64.powf(f64::from(k) / 13.0)) {
        for q in [0.6, 1.5, 4.0] {
            fits.push((shape.greedy(&[at], q, 1).0, at));
        }
    }
    let (ln, k) = averaged(&fits.iter().map(|f| f.0).collect::<Vec<f64>>());
    let words = if fits[k].1 > 0.0 {
        format!(
            "It is lowest about {}, as a mains filter in resonance or below its corner lets through.",
            hertz(fits[k].1)
        )
    } else {
        String::new()
    };
    (ln, words)
}

fn housing_shape(shape: &Shape, sides: [f64; 3]) -> (f64, String) {
    let high = shape.f[shape.f.len() - 1];
    let mut modes: Vec<f64> = enclosure_resonances(sides, 1.3 * high).iter().map(|r| r.frequency_hz).collect();
    modes.truncate(12);
    if modes.is_empty() {
        return (shape.ln(shape.rss()) - 2.0, "Its resonances lie above what was tested.".into());
    }
    let mut fits = Vec::new();
    // Boards and parts lower all modes by about as much.
    for factor in (0..12).map(|k| 0.78 + 0.02 * f64::from(k)) {
        let at: Vec<f64> = modes.iter().map(|m| factor * m).filter(|f| *f < high).collect();
        if at.is_empty() {
            continue;
        }
        fits.extend([10.0, 22.0, 45.0].map(|q| shape.greedy(&at, q, 4)));
    }
    if fits.is_empty() {
        return (shape.ln(shape.rss()) - 2.0, "Its resonances lie above what was tested.".into());
    }
    let (ln, k) = averaged(&fits.iter().map(|f| f.0).collect::<Vec<f64>>());
    let words = if fits[k].1.is_empty() {
        "No dip stands at one of its resonances.".to_owned()
    } else {
        let list: Vec<String> = fits[k].1.iter().map(|f| hertz(*f)).collect();
        format!("Dips at {} stand at resonances of its inside.", list.join(", "))
    };
    (ln, words)
}

/// What spikes say of a clock: each that stands at a multiple is as much likelier as multiples are rare among the frequencies
/// that were tried.
fn beat(source: &Source, spikes: &[f64], tried: &[f64], at_lowest: bool) -> (f64, Option<String>) {
    let f0 = source.frequency_hz;
    let off = |f: f64| {
        let k = (f / f0).round().max(1.0);
        ((f / (k * f0) - 1.0).abs(), k as u64)
    };
    let near = 0.006 + source.tolerance();
    let chance = tried.iter().filter(|f| off(**f).0 < near).count() as f64 / tried.len() as f64;
    if chance > 0.7 {
        return (-0.5, Some(format!("Multiples of {} are everywhere in this range: they tell nothing.", hertz(f0))));
    }
    let hits: Vec<u64> = spikes.iter().map(|f| off(*f)).filter(|o| o.0 < near).map(|o| o.1).collect();
    let misses = spikes.len() - hits.len();
    let ln = match spikes.len() {
        0 => -3.5,
        _ => {
            let chance = chance.max(0.01);
            let ln =
                hits.len().min(6) as f64 * (0.85 / chance).ln() + misses.min(6) as f64 * (0.15 / (1.0 - chance)).ln();
            ln - if at_lowest { 0.0 } else { 2.0 }
        }
    };
    let words = if hits.is_empty() {
        format!("No narrow dip stands at a multiple of {}.", hertz(f0))
    } else {
        let list: Vec<String> = hits.iter().take(6).map(u64::to_string).collect();
        format!(
            "{} of {} narrow dips stand at multiples of {} ({}); by chance {:.1} would.",
            hits.len(),
            spikes.len(),
            hertz(f0),
            list.join(", "),
            chance * spikes.len() as f64
        )
    };
    (ln, Some(words))
}

/// Rises anywhere.
fn other_shape(shape: &Shape) -> (f64, String) {
    // What is not described and still resonates lies on boards and in short wires: sharper than a cable in the open.
    const Q: [f64; 4] = [4.0, 10.0, 25.0, 60.0];
    const MOST: usize = 5;
    let mut now = shape.clone();
    let mut ln = now.ln(now.rss());
    let mut taken = Vec::new();
    let span = (shape.f[shape.f.len() - 1] / shape.f[0]).ln();
    let places: Vec<f64> = (0..100).map(|k| shape.f[0] * (span * (f64::from(k) + 0.5) / 100.0).exp()).collect();
    while taken.len() < MOST {
        let mut fits = Vec::new();
        for f in &places {
            for q in Q {
                let (rss, u) = now.with(&now.resonance(*f, q));
                fits.push((now.ln(rss), *f, u));
            }
        }
        let (mean, k) = averaged(&fits.iter().map(|f| f.0).collect::<Vec<f64>>());
        let gain = mean - now.ln(now.rss()) - now.price();
        let (_, at, u) = fits.swap_remove(k);
        let Some(u) = u.filter(|_| gain > 0.0) else { break };
        ln += gain;
        now = now.taken(u);
        taken.push(at);
    }
    taken.sort_unstable_by(f64::total_cmp);
    let words = if taken.is_empty() {
        String::new()
    } else {
        let list: Vec<String> = taken.iter().map(|f| hertz(*f)).collect();
        format!("Dips at {} would fit, wherever they come from.", list.join(", "))
    };
    (ln, words)
}
