//! Pulses of the standards' families whose parameters are drawn anew for every record: front and tail stretched by
//! themselves, amplitudes changed. What comes back is held against the formula itself; the worst error and the one that 95 %
//! of the records stay below are printed.

use immunity::analytic::{DoubleExponential, Heidler, esd_terms};
use immunity::waveform::{Kind, Settings, analyse};

struct Random(u64);

impl Random {
    fn uniform(&mut self) -> f64 {
        self.0 ^= self.0 << 13;
        self.0 ^= self.0 >> 7;
        self.0 ^= self.0 << 17;
        (self.0 >> 11) as f64 / (1u64 << 53) as f64
    }

    fn normal(&mut self) -> f64 {
        let r = (-2.0 * (1.0 - self.uniform()).ln()).sqrt();
        r * (2.0 * std::f64::consts::PI * self.uniform()).cos()
    }

    /// Evenly in the logarithm between 1/`most` and `most`.
    fn stretch(&mut self, most: f64) -> f64 {
        most.powf(2.0 * self.uniform() - 1.0)
    }
}

type Formula = Box<dyn Fn(f64) -> f64>;

/// Peak and crossing times of a formula that starts at 0, by bisection on a fine grid.
struct Truth<'a> {
    f: &'a Formula,
    peak: f64,
    peak_s: f64,
    step_s: f64,
}

impl<'a> Truth<'a> {
    fn new(f: &'a Formula, first_top_s: f64) -> Self {
        const N: usize = 4000;
        let at = |k: usize| first_top_s * k as f64 / N as f64;
        let k = (0..=N).max_by(|a, b| f(at(*a)).total_cmp(&f(at(*b)))).unwrap();
        let (mut a, mut b) = (at(k.saturating_sub(1)), at(k + 1));
        for _ in 0..80 {
            let (c, d) = (a + 0.381_966 * (b - a), b - 0.381_966 * (b - a));
            if f(c) > f(d) { b = d } else { a = c }
        }
        Self { f, peak: f(a), peak_s: a, step_s: first_top_s / 400.0 }
    }

    fn up(&self, part: f64) -> f64 {
        let (mut a, mut b) = (0.0, self.peak_s);
        for _ in 0..100 {
            let m = 0.5 * (a + b);
            if (self.f)(m) < part * self.peak { a = m } else { b = m }
        }
        a
    }

    fn half(&self) -> f64 {
        let mut t = self.peak_s;
        while (self.f)(t) > 0.5 * self.peak {
            t += self.step_s;
        }
        let (mut a, mut b) = (t - self.step_s, t);
        for _ in 0..100 {
            let m = 0.5 * (a + b);
            if (self.f)(m) > 0.5 * self.peak { a = m } else { b = m }
        }
        a
    }

    fn expected(&self, kind: Kind) -> Vec<(&'static str, f64)> {
        let t10 = self.up(0.1);
        let rise = self.up(0.9) - t10;
        match kind {
            Kind::Esd => vec![
                ("first_peak_a", self.peak),
                ("rise_time_s", rise),
                ("current_30ns_a", (self.f)(t10 + 30e-9)),
                ("current_60ns_a", (self.f)(t10 + 60e-9)),
            ],
            Kind::Burst => {
                vec![("peak_v", self.peak), ("rise_time_s", rise), ("width_s", self.half() - self.up(0.5))]
            }
            Kind::SurgeVoltage => vec![
                ("peak_v", self.peak),
                ("front_time_s", 1.67 * (self.up(0.9) - self.up(0.3))),
                ("duration_s", self.half() - self.up(0.5)),
            ],
            _ => vec![
                ("peak_a", self.peak),
                ("front_time_s", 1.25 * rise),
                ("duration_s", 1.18 * (self.half() - self.up(0.5))),
            ],
        }
    }
}

struct Wave {
    name: &'static str,
    kind: Kind,
    draw: fn(&mut Random) -> Formula,
    first_top_s: f64,
    length_s: f64,
    before_s: f64,
    rate_hz: f64,
    /// Least standard deviation of the front that any method can reach at 40 dB (bound of Cramér and Rao for the formula with
    /// these parameters free, worked out with numerical derivatives outside this program), %.
    bound_percent: f64,
}

fn waves() -> Vec<Wave> {
    let esd = |r: &mut Random| -> Formula {
        let [a, b] = esd_terms(8.0);
        let (front, tail, part) = (r.stretch(1.25), r.stretch(1.2), r.stretch(1.25));
        let a = Heidler { tau1_s: a.tau1_s * front, tau2_s: a.tau2_s * front, ..a };
        let b = Heidler { amplitude: b.amplitude * part, tau1_s: b.tau1_s * tail, tau2_s: b.tau2_s * tail, ..b };
        Box::new(move |t| a.at(t) + b.at(t))
    };
    let burst = |r: &mut Random| -> Formula {
        let h = Heidler {
            amplitude: 920.0 * r.stretch(1.1),
            tau1_s: 3.5e-9 * r.stretch(1.3),
            n: 1.8,
            tau2_s: 51e-9 * r.stretch(1.3),
        };
        Box::new(move |t| h.at(t))
    };
    let burst2 = |r: &mut Random| -> Formula {
        let d =
            DoubleExponential { amplitude: 1270.0, tau1_s: 3.5e-9 * r.stretch(1.3), tau2_s: 55.6e-9 * r.stretch(1.3) };
        Box::new(move |t| d.at(t))
    };
    let volts = |r: &mut Random| -> Formula {
        let h = Heidler {
            amplitude: 1880.0 * r.stretch(1.1),
            tau1_s: 0.356e-6 * r.stretch(1.3),
            n: 1.852,
            tau2_s: 65.845e-6 * r.stretch(1.2),
        };
        Box::new(move |t| h.at(t))
    };
    let volts2 = |r: &mut Random| -> Formula {
        let d = DoubleExponential {
            amplitude: 1037.0,
            tau1_s: 0.4074e-6 * r.stretch(1.3),
            tau2_s: 68.22e-6 * r.stretch(1.2),
        };
        Box::new(move |t| d.at(t))
    };
    let amperes = |r: &mut Random| -> Formula {
        let h = Heidler {
            amplitude: 469.0 * r.stretch(1.1),
            tau1_s: 47.52e-6 * r.stretch(1.2),
            n: 2.741 * r.stretch(1.05),
            tau2_s: 4.296e-6 * r.stretch(1.2),
        };
        Box::new(move |t| h.at(t))
    };
    let sine = |r: &mut Random| -> Formula {
        let (a, w) = (4.1514e4 * r.stretch(1.3), 1.1988e5 * r.stretch(1.2));
        Box::new(move |t| if t > 0.0 { 800.0 * (-a * t).exp() * (w * t).sin() } else { 0.0 })
    };
    let w = |name, kind, draw, first_top_s, length_s, before_s, rate_hz, bound_percent| Wave {
        name,
        kind,
        draw,
        first_top_s,
        length_s,
        before_s,
        rate_hz,
        bound_percent,
    };
    vec![
        w("esd, 40 GS/s", Kind::Esd, esd, 4e-9, 100e-9, 10e-9, 40e9, 0.19),
        w("esd, 20 GS/s", Kind::Esd, esd, 4e-9, 100e-9, 10e-9, 20e9, 0.27),
        w("burst, 10 GS/s", Kind::Burst, burst, 30e-9, 300e-9, 50e-9, 10e9, 0.43),
        w("burst, 40 GS/s", Kind::Burst, burst, 30e-9, 300e-9, 50e-9, 40e9, 0.21),
        w("burst double exponential, 40 GS/s", Kind::Burst, burst2, 30e-9, 300e-9, 50e-9, 40e9, 0.19),
        w("surge voltage, 500 MS/s", Kind::SurgeVoltage, volts, 10e-6, 150e-6, 10e-6, 500e6, 0.19),
        w("surge voltage double exp., 500 MS/s", Kind::SurgeVoltage, volts2, 10e-6, 150e-6, 10e-6, 500e6, 0.19),
        w("surge current, 100 MS/s", Kind::SurgeCurrent, amperes, 30e-6, 60e-6, 10e-6, 100e6, 0.2),
        w("surge current damped sine, 100 MS/s", Kind::SurgeCurrent, sine, 20e-6, 80e-6, 10e-6, 100e6, 0.1),
    ]
}

#[test]
fn drawn_parameters_come_back_within_one_per_cent() {
    // A longer look: HUSHFIELD_SEEDS=200 with --nocapture.
    let seeds: u64 = std::env::var("HUSHFIELD_SEEDS").ok().and_then(|v| v.parse().ok()).unwrap_or(4);
    let mut failures = Vec::new();
    let mut all = Vec::new();
    for w in waves() {
        for (condition, noise, bits) in [("8 bit", 0.0, 8), ("40 dB", 0.01, 0), ("40 dB, 8 bit", 0.01, 8)] {
            let mut errors: Vec<(&str, Vec<f64>)> = Vec::new();
            for seed in 0..seeds {
                let mut r = Random(0x9E37_79B9_97F4_A7C1 ^ (seed * 104_729 + 17));
                r.uniform();
                let f = (w.draw)(&mut r);
                let truth = Truth::new(&f, w.first_top_s);
                let dt = 1.0 / w.rate_hz;
                let before = w.before_s + dt * r.uniform();
                let offset = 0.05 * r.normal() * truth.peak;
                // The pulse fills four fifths of the digitiser's range.
                let step = if bits > 0 { 1.25 * truth.peak / 256.0 } else { 0.0 };
                let y: Vec<f64> = (0..((w.length_s + before) / dt) as usize)
                    .map(|k| {
                        let v = f(k as f64 * dt - before) + offset + noise * truth.peak * r.normal();
                        if step > 0.0 { (v / step).round() * step } else { v }
                    })
                    .collect();
                let a = analyse(&y, dt, 0.0, &Settings::new(w.kind)).unwrap_or_else(|e| panic!("{}: {e}", w.name));
                for (name, v) in truth.expected(w.kind) {
                    let e = a.get(name).unwrap().value / v - 1.0;
                    match errors.iter_mut().find(|x| x.0 == name) {
                        Some(x) => x.1.push(e.abs()),
                        None => errors.push((name, vec![e.abs()])),
                    }
                }
            }
            let mut text = Vec::new();
            for (name, e) in &mut errors {
                e.sort_unstable_by(f64::total_cmp);
                let of = |part: f64| e[((e.len() as f64 * part).ceil() as usize).clamp(1, e.len()) - 1];
                let (worst, most) = (100.0 * e[e.len() - 1], 100.0 * of(0.95));
                text.push(format!("{name} 95 % {most:.2} worst {worst:.2}"));
                all.extend(e.iter().copied());
                // No method does better than the bound; four deviations of it are the most that chance may add.
                let front = noise > 0.0 && matches!(*name, "rise_time_s" | "front_time_s");
                let allowed = if front { (4.0 * w.bound_percent).max(1.0) } else { 1.0 };
                if worst > allowed {
                    failures.push(format!("{}, {condition}: {name} off by {worst:.2} %", w.name));
                }
            }
            println!("{:36} {condition:14} {}", w.name, text.join("; "));
        }
    }
    all.sort_unstable_by(f64::total_cmp);
    let within = all.iter().filter(|e| **e <= 0.01).count() as f64 / all.len() as f64;
    println!(
        "{} values: 95 % within {:.2} %, worst {:.2} %, {:.2} % of them within 1 %",
        all.len(),
        100.0 * all[all.len() * 95 / 100],
        100.0 * all[all.len() - 1],
        100.0 * within
    );
    assert!(failures.is_empty(), "{failures:#?}");
}
