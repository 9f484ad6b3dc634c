//! Formulas with known parameters, sampled, disturbed and measured.
//!
//! The true parameters are worked out here from the formula itself, on a grid a thousand times finer than the samples.

use immunity::analytic;
use immunity::waveform::{Kind, Settings, analyse};

/// Numbers from a fixed seed.
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
}

/// Peak and crossing times of a formula that starts at 0.
struct Truth {
    peak: f64,
    peak_s: f64,
    f: fn(f64) -> f64,
    end_s: f64,
}

impl Truth {
    fn new(f: fn(f64) -> f64, first_top_s: f64, end_s: f64) -> Self {
        const N: usize = 2_000_000;
        let (mut peak, mut peak_s) = (0.0, 0.0);
        for k in 0..N {
            let t = first_top_s * k as f64 / N as f64;
            if f(t) > peak {
                (peak, peak_s) = (f(t), t);
            }
        }
        Self { peak, peak_s, f, end_s }
    }

    fn bisect(&self, mut a: f64, mut b: f64, level: f64) -> f64 {
        let up = (self.f)(a) < level;
        for _ in 0..100 {
            let m = 0.5 * (a + b);
            if ((self.f)(m) < level) == up { a = m } else { b = m }
        }
        a
    }

    fn up(&self, part: f64) -> f64 {
        self.bisect(0.0, self.peak_s, part * self.peak)
    }

    fn half(&self) -> f64 {
        let level = 0.5 * self.peak;
        let mut t = self.peak_s;
        while (self.f)(t) > level {
            t += self.end_s / 1e5;
        }
        self.bisect(t - self.end_s / 1e5, t, level)
    }
}

#[derive(Clone, Copy)]
struct Wave {
    kind: Kind,
    f: fn(f64) -> f64,
    first_top_s: f64,
    length_s: f64,
    before_s: f64,
    rate_hz: f64,
}

fn expected(w: Wave) -> Vec<(&'static str, f64)> {
    let t = Truth::new(w.f, w.first_top_s, w.length_s);
    match w.kind {
        Kind::Esd => {
            let t10 = t.up(0.1);
            vec![
                ("first_peak_a", t.peak),
                ("rise_time_s", t.up(0.9) - t10),
                ("current_30ns_a", (w.f)(t10 + 30e-9)),
                ("current_60ns_a", (w.f)(t10 + 60e-9)),
            ]
        }
        Kind::Burst => {
            vec![("peak_v", t.peak), ("rise_time_s", t.up(0.9) - t.up(0.1)), ("width_s", t.half() - t.up(0.5))]
        }
        Kind::SurgeVoltage => {
            let front = 1.67 * (t.up(0.9) - t.up(0.3));
            let origin = t.up(0.3) - 0.3 * front;
            vec![
                ("peak_v", t.peak),
                ("front_time_s", front),
                ("duration_s", t.half() - t.up(0.5)),
                ("duration_edition2_s", t.half() - origin),
            ]
        }
        _ => {
            let front = 1.25 * (t.up(0.9) - t.up(0.1));
            let origin = t.up(0.1) - 0.1 * front;
            vec![
                ("peak_a", t.peak),
                ("front_time_s", front),
                ("duration_s", 1.18 * (t.half() - t.up(0.5))),
                ("duration_edition2_s", t.half() - origin),
            ]
        }
    }
}

#[derive(Clone, Copy, Default)]
struct Disturbed {
    noise: f64,
    bits: u32,
    offset: f64,
    negative: bool,
    no_rest: bool,
}

fn record(w: Wave, d: Disturbed, random: &mut Random) -> Vec<f64> {
    let dt = 1.0 / w.rate_hz;
    let before = if d.no_rest { 0.0 } else { w.before_s + dt * random.uniform() };
    let n = ((w.length_s + before) * w.rate_hz) as usize;
    let peak = (0..n).map(|k| (w.f)(k as f64 * dt)).fold(0.0, f64::max);
    let sign = if d.negative { -1.0 } else { 1.0 };
    let step = if d.bits > 0 { 2.5 * peak / f64::from(1 << d.bits) } else { 0.0 };
    (0..n)
        .map(|k| {
            let mut v = sign * (w.f)(k as f64 * dt - before) + d.offset * peak + d.noise * peak * random.normal();
            if step > 0.0 {
                v = (v / step).round() * step;
            }
            v
        })
        .collect()
}

fn waves() -> Vec<(&'static str, Wave)> {
    let esd = |t: f64| analytic::esd_current_a(4.0, t);
    let burst2 = |t: f64| 1.27 * (1.0 - (-t.max(0.0) / 3.5e-9).exp()) * (-t.max(0.0) / 55.6e-9).exp();
    let surge2 = |t: f64| 1.037 * (1.0 - (-t.max(0.0) / 0.4074e-6).exp()) * (-t.max(0.0) / 68.22e-6).exp();
    let cube = |t: f64| {
        let u = t.max(0.0) * 1e6;
        0.01243 * u.powi(3) * (-u / 3.911).exp()
    };
    let sine = |t: f64| {
        let u = t.max(0.0);
        1.6 * (-4.1514e4 * u).exp() * (1.1988e5 * u).sin()
    };
    let w =
        |kind, f, first_top_s, length_s, before_s, rate_hz| Wave { kind, f, first_top_s, length_s, before_s, rate_hz };
    vec![
        ("esd", w(Kind::Esd, esd, 4e-9, 100e-9, 10e-9, 40e9)),
        ("burst", w(Kind::Burst, analytic::burst_pulse, 30e-9, 300e-9, 50e-9, 10e9)),
        ("burst double exponential", w(Kind::Burst, burst2, 30e-9, 300e-9, 50e-9, 10e9)),
        ("surge voltage", w(Kind::SurgeVoltage, analytic::surge_voltage, 10e-6, 150e-6, 10e-6, 500e6)),
        ("surge voltage double exponential", w(Kind::SurgeVoltage, surge2, 10e-6, 150e-6, 10e-6, 500e6)),
        ("surge current", w(Kind::SurgeCurrent, analytic::surge_current, 30e-6, 60e-6, 10e-6, 100e6)),
        ("surge current cubic", w(Kind::SurgeCurrent, cube, 30e-6, 60e-6, 10e-6, 100e6)),
        ("surge current damped sine", w(Kind::SurgeCurrent, sine, 20e-6, 80e-6, 10e-6, 100e6)),
    ]
}

fn conditions() -> Vec<(&'static str, Disturbed)> {
    let d = Disturbed::default();
    vec![
        ("clean", d),
        ("clean, no rest line", Disturbed { no_rest: true, ..d }),
        ("8 bit", Disturbed { bits: 8, offset: 0.0137, ..d }),
        ("40 dB", Disturbed { noise: 0.01, ..d }),
        ("40 dB, 8 bit, offset, negative", Disturbed { noise: 0.01, bits: 8, offset: -0.217, negative: true, ..d }),
    ]
}

#[test]
fn known_parameters_come_back() {
    // A longer look: HUSHFIELD_SEEDS=100 with --nocapture.
    let most_seeds: u64 = std::env::var("HUSHFIELD_SEEDS").ok().and_then(|v| v.parse().ok()).unwrap_or(3);
    let mut failures = Vec::new();
    for (name, w) in waves() {
        let expected = expected(w);
        for (condition, d) in conditions() {
            let seeds = if d.noise > 0.0 || d.bits > 0 { most_seeds } else { 2 };
            let mut worst = vec![0.0f64; expected.len()];
            let mut square = vec![0.0f64; expected.len()];
            let mut z = vec![0.0f64; expected.len()];
            let mut methods = std::collections::BTreeMap::<String, usize>::new();
            for seed in 0..seeds {
                let mut random = Random(0x1234_5678_9ABC_DEF1 ^ (seed * 7919 + 1));
                let d = Disturbed { offset: d.offset * (1.0 + random.uniform()), ..d };
                let y = record(w, d, &mut random);
                let a = match analyse(&y, 1.0 / w.rate_hz, 0.0, &Settings::new(w.kind)) {
                    Ok(a) => a,
                    Err(e) => {
                        failures.push(format!("{name}, {condition}, seed {seed}: {e}"));
                        continue;
                    }
                };
                assert_eq!(a.negative, d.negative);
                *methods.entry(a.method.clone()).or_default() += 1;
                for (k, (q, v)) in expected.iter().enumerate() {
                    let got = a.get(q).unwrap();
                    let error = got.value / v - 1.0;
                    worst[k] = worst[k].max(error.abs());
                    square[k] += error * error / seeds as f64;
                    if got.uncertainty > 0.0 {
                        z[k] += ((got.value - v) / got.uncertainty * 2.0).powi(2) / seeds as f64;
                    }
                }
            }
            let text: Vec<String> = expected
                .iter()
                .enumerate()
                .map(|(k, (q, _))| {
                    format!("{q} {:.2}/{:.2}% z{:.1}", 100.0 * square[k].sqrt(), 100.0 * worst[k], z[k].sqrt())
                })
                .collect();
            for (k, (q, _)) in expected.iter().enumerate() {
                let allowed = if d.noise > 0.0 || d.bits > 0 { 0.01 } else { 3e-4 };
                if worst[k] > allowed {
                    failures.push(format!("{name}, {condition}: {q} is off by {:.3} %", 100.0 * worst[k]));
                }
            }
            println!("{name:34} {condition:32} {} {:?}", text.join("  "), methods.into_iter().collect::<Vec<_>>());
        }
    }
    assert!(failures.is_empty(), "{failures:#?}");
}

/// A burst of 75 pulses at 100 kHz in a period that is cut short, with noise, through the two readings of the scan.
#[test]
fn burst_timing_and_shape() {
    use immunity::waveform::BurstScan;
    let (rate, repetition, count) = (2e9, 100e3, 75u32);
    let n = 2_200_000; // 1.1 ms
    let begin = 100e-6;
    let mut random = Random(0xABCD_EF01_2345);
    let mut y: Vec<f64> = (0..n).map(|_| 5.0 * random.normal()).collect();
    for k in 0..count {
        let t0 = begin + f64::from(k) / repetition;
        let first = (t0 * rate) as usize;
        for (i, v) in y.iter_mut().enumerate().skip(first).take(1200) {
            *v -= 1000.0 * analytic::burst_pulse(i as f64 / rate - t0);
        }
    }
    let mut scan = BurstScan::new(1.0 / rate);
    y.chunks(10_007).for_each(|c| scan.look(c));
    scan.looked().unwrap();
    y.chunks(9_973).for_each(|c| scan.take(c));
    let a = scan.analyse(0.0, &Settings { level_kv: Some(2.0), ..Settings::new(Kind::Burst) }).unwrap();
    assert!(a.negative);
    assert_eq!(a.pulses, 75);
    let near = |name: &str, want: f64, part: f64| {
        let v = a.get(name).unwrap().value;
        assert!((v / want - 1.0).abs() < part, "{name}: {v} instead of {want}");
    };
    near("repetition_hz", 100e3, 1e-4);
    near("burst_duration_s", 0.75e-3, 1e-3);
    // Peak 1.0027, rise 5.122 ns, width 49.42 ns of the formula: worked out on a fine grid elsewhere (fourth-order
    // integration, reference figures of the formula).
    near("peak_v", 1002.7, 0.005);
    near("rise_time_s", 5.122e-9, 0.02);
    near("width_s", 49.42e-9, 0.01);
    assert!(a.is_inside());
    // The same pulses set against 2.5 kV are 20 % low: outside ±10 %.
    let low = scan.analyse(0.0, &Settings { level_kv: Some(2.5), ..Settings::new(Kind::Burst) }).unwrap();
    assert!(!low.is_inside());
}

/// Through a Gaussian path the rise grows; told of the bandwidth, the reading takes that back.
#[test]
fn bandwidth_is_taken_back() {
    let rate = 50e9;
    // sqrt(ln 2)/(2 pi sigma) is the -3 dB bandwidth of a Gaussian response (textbook).
    let bandwidth = 1.5e9;
    let sigma = 2f64.ln().sqrt() / (2.0 * std::f64::consts::PI * bandwidth);
    let through = |t: f64| -> f64 {
        let (mut s, mut w) = (0.0, 0.0);
        for k in -60..=60 {
            let z = f64::from(k) / 12.0;
            let g = (-0.5 * z * z).exp();
            s += g * analytic::esd_current_a(8.0, t - z * sigma);
            w += g;
        }
        s / w
    };
    let y: Vec<f64> = (0..6000).map(|k| through(f64::from(k) / rate - 10e-9)).collect();
    let plain = Settings { level_kv: Some(8.0), ..Settings::new(Kind::Esd) };
    let read = analyse(&y, 1.0 / rate, 0.0, &plain).unwrap();
    let told = analyse(&y, 1.0 / rate, 0.0, &Settings { bandwidth_hz: Some(bandwidth), ..plain }).unwrap();
    let (slow, back) = (read.get("rise_time_s").unwrap(), told.get("rise_time_s").unwrap());
    println!(
        "rise {:.4} ns as read, {:.4} ns ± {:.4} taken back, 0.811 true",
        slow.value * 1e9,
        back.value * 1e9,
        back.uncertainty * 1e9
    );
    let (p0, p1) = (read.get("first_peak_a").unwrap().value, told.get("first_peak_a").unwrap().value);
    println!("peak {p0:.3} A as read, {p1:.3} A taken back, 29.842 true");
    assert!(slow.value > 0.83e-9);
    // 0.811 ns and 29.84 A (8 kV): the formula's own, worked out on a fine grid.
    assert!((back.value / 0.811e-9 - 1.0).abs() < 0.01 && (back.value - 0.811e-9).abs() < back.uncertainty);
    assert!((p1 / 29.842 - 1.0).abs() < 0.005 && (p1 - 29.842).abs() < (p0 - 29.842).abs());
    // A path slower than the front itself cannot be taken back.
    assert!(analyse(&y, 1.0 / rate, 0.0, &Settings { bandwidth_hz: Some(0.4e9), ..plain }).is_err());
}

/// A front at the very edge of its tolerance is said to be there; one well outside is outside.
#[test]
fn the_edge_is_named() {
    use immunity::waveform::Judged;
    let rate = 200e6;
    let mut random = Random(0x77_1234);
    let record = |stretch: f64, random: &mut Random| -> Vec<f64> {
        (0..40_000)
            .map(|k| 2000.0 * analytic::surge_voltage((f64::from(k) / rate - 20e-6) / stretch) + 20.0 * random.normal())
            .collect()
    };
    let front = |y: &[f64]| {
        let a = analyse(y, 1.0 / rate, 0.0, &Settings::new(Kind::SurgeVoltage)).unwrap();
        let q = a.get("front_time_s").unwrap();
        println!("front {:.4} µs ± {:.4}, {}", q.value * 1e6, q.uncertainty * 1e6, a.method);
        (q.judged.unwrap(), a.is_inside())
    };
    // The formula's front is 1.1979 µs (worked out on a fine grid); 1.56 µs is the upper limit.
    assert!(matches!(front(&record(1.56 / 1.1979, &mut random)).0, Judged::InsideAtTheEdge | Judged::OutsideAtTheEdge));
    assert_eq!(front(&record(1.0, &mut random)), (Judged::Inside, true));
    assert_eq!(front(&record(1.45, &mut random)), (Judged::Outside, false));
}

#[test]
fn what_cannot_be_measured_is_refused() {
    let s = Settings::new(Kind::SurgeVoltage);
    assert!(analyse(&[0.0; 8], 1e-9, 0.0, &s).is_err());
    assert!(analyse(&[1.0; 1000], 1e-9, 0.0, &s).is_err());
    let mut random = Random(5);
    let noise: Vec<f64> = (0..5000).map(|_| random.normal()).collect();
    assert!(analyse(&noise, 1e-9, 0.0, &s).is_err());
    let cut: Vec<f64> = (0..1000).map(|k| analytic::surge_voltage(f64::from(k) * 1e-8)).collect();
    let e = analyse(&cut, 1e-8, 0.0, &s).unwrap_err().to_string();
    assert!(e.contains("50 %"), "{e}");
    assert!(analyse(&cut, 0.0, 0.0, &s).is_err());
}
