//! The receiver against formulas and the published tables of CISPR 16-1-1 (from memory where nothing else is said).

mod common;

use std::f64::consts::TAU;
use std::ops::ControlFlow;

use common::{Memory, Samples, gauss, make, measure, sine, to_f32, volts};
use proptest::prelude::*;
use receiver::{Levels, ReceiverError, Settings, Start};
use serde_json::json;
use signal::{Block, SampleSource, SourceError};
use standards::{Band, Detector};

fn settings(band: Band, rate_hz: f64, from_hz: f64, to_hz: f64, step_hz: f64, start: Start) -> Settings {
    let mut s = Settings::new(band, rate_hz);
    (s.from_hz, s.to_hz, s.step_hz, s.start) = (Some(from_hz), Some(to_hz), Some(step_hz), Some(start));
    s
}

fn level(levels: &Levels, detector: Detector, k: usize) -> f64 {
    levels.reading(detector).unwrap().level_dbuv[k]
}

#[test]
fn a_sine_reads_its_rms_level_on_every_detector() {
    // 1 mV r.m.s. is 60 dBµV. Off the middle the Gaussian filter answers, half the voltage at half the bandwidth.
    for (band, rate, f) in
        [(Band::A, 320e3, 50e3), (Band::B, 1.35e6, 303e3), (Band::C, 80e6, 33e6), (Band::E, 2.5e9, 1.1e9)]
    {
        let b = band.bandwidth_hz();
        let seconds = 300.0 / b;
        for off in [0.0, 0.137, 0.25] {
            let x = sine(rate, seconds, f + off * b, 60.0);
            let s = settings(band, rate, f - b, f + b, b / 2.0, Start::Settled);
            let levels = measure(to_f32(&x), &s).unwrap();
            let want = 60.0 - 20.0 * 2f64.log10() * (2.0 * off).powi(2);
            for r in &levels.readings {
                let tolerance = if off == 0.0 { 0.05 } else { 0.1 };
                assert!(
                    (r.level_dbuv[2] - want).abs() < tolerance,
                    "{band} {} off {off}: {}",
                    r.detector,
                    r.level_dbuv[2]
                );
            }
            assert_eq!(levels.reading(Detector::QuasiPeak).is_none(), band == Band::E);
        }
    }
}

/// Pulses of 1 µV·s at a rate (0: one), long enough to be periodic or, for one, to have gone by. Time runs in the band's own
/// sampling rate; the receiver sees one frequency.
fn pulses(band: Band, rate_hz: f64) -> Levels {
    let (fs, f) = match band {
        Band::A => (26e3, 10e3),
        Band::B => (1.17e6, 297e3),
        _ => (15.6e6, 4.2e6),
    };
    let period = if rate_hz > 0.0 { 1.0 / rate_hz } else { 1.2 };
    let periods = (0.02 / period).ceil().max(if rate_hz > 0.0 && band == Band::A { 4.0 } else { 1.0 });
    // The filter takes twelve standard deviations; what is left is whole periods.
    let sigma = (2.0 * 2f64.ln()).sqrt() / (std::f64::consts::PI * band.bandwidth_hz());
    let seconds = if rate_hz > 0.0 { periods * period + 12.0 * sigma } else { 1.2 };
    let mut x = vec![0.0; (seconds * fs).round() as usize];
    // No pulse is cut by the record's ends.
    let first = if rate_hz > 0.0 { 6.0 * sigma + 0.5 * period } else { 13.0 * sigma };
    let mut k = 0.0;
    while first + k * period < seconds {
        let n = ((first + k * period) * fs).round() as usize;
        if n < x.len() {
            x[n] = 1e-6 * fs;
        }
        k += 1.0;
    }
    let start = if rate_hz > 0.0 { Start::Settled } else { Start::Rest };
    // Outside a band's range the constants are the band's all the same: the tables hold at any frequency.
    measure(to_f32(&x), &settings(band, fs, f, f, f, start)).unwrap()
}

#[test]
fn pulse_tables_of_the_quasi_peak_detector() {
    // Pulse area for equal reading against the reference rate, dB, and its tolerance; the reference pulse (µV·s of the
    // source's open voltage, so half of it at the matched input) reads 60 dBµV within 1.5 dB.
    type Rows = &'static [(f64, f64, f64)];
    let tables: [(Band, f64, f64, Rows); 3] = [
        (
            Band::A,
            13.5,
            25.0,
            &[
                (100.0, -4.0, 1.0),
                (60.0, -3.0, 1.0),
                (10.0, 4.0, 1.0),
                (5.0, 7.5, 1.5),
                (2.0, 13.0, 2.0),
                (1.0, 17.0, 2.0),
                (0.0, 19.0, 2.0),
            ],
        ),
        (
            Band::B,
            0.316,
            100.0,
            &[
                (1000.0, -4.5, 1.0),
                (20.0, 6.5, 1.0),
                (10.0, 10.0, 1.5),
                (2.0, 20.5, 2.0),
                (1.0, 22.5, 2.0),
                (0.0, 23.5, 2.0),
            ],
        ),
        (
            Band::C,
            0.044,
            100.0,
            &[
                (1000.0, -8.0, 1.0),
                (20.0, 9.0, 1.0),
                (10.0, 14.0, 1.5),
                (2.0, 26.0, 2.0),
                (1.0, 28.5, 2.0),
                (0.0, 31.5, 2.0),
            ],
        ),
    ];
    for (band, area, reference_hz, rows) in tables {
        let reference = level(&pulses(band, reference_hz), Detector::QuasiPeak, 0);
        let reads = reference + 20.0 * (area / 2.0).log10();
        assert!((reads - 60.0).abs() < 1.5, "{band}: the reference pulse reads {reads} dBµV");
        for (rate, want, tolerance) in rows {
            let got = reference - level(&pulses(band, *rate), Detector::QuasiPeak, 0);
            println!("{band} {rate} Hz: {got:+.2} dB, table {want:+.1} ± {tolerance}");
            assert!((got - want).abs() < *tolerance, "{band} at {rate} Hz: {got:.2} dB, table {want} ± {tolerance}");
        }
    }
}

#[test]
fn peak_of_one_pulse_at_every_place_between_spectra() {
    // Peak of a pulse of area A: √2·A·impulse bandwidth, 1.0645 times the −6 dB bandwidth for a Gaussian filter.
    let (fs, f) = (1.17e6, 297e3);
    let want = 20.0 * (2f64.sqrt() * 1e-6 * 1.064_467 * 9e3 * 1e6).log10();
    for shift in 0..40 {
        let mut x = vec![0.0; 3000];
        x[1500 + shift] = 1e-6 * fs;
        let levels = measure(to_f32(&x), &settings(Band::B, fs, f, f, f, Start::Rest)).unwrap();
        let got = level(&levels, Detector::Peak, 0);
        assert!((got - want).abs() < 0.02, "shift {shift}: {got} dBµV, expected {want}");
    }
}

#[test]
fn weak_carrier_beside_a_strong_one() {
    let (rate, f) = (1.35e6, 306e3);
    let x: Vec<f64> =
        sine(rate, 0.1, f, 25.0).iter().zip(sine(rate, 0.1, f + 40e3, 90.0)).map(|(a, b)| a + b).collect();
    let levels = measure(to_f32(&x), &settings(Band::B, rate, f, f, 4500.0, Start::Settled)).unwrap();
    for r in &levels.readings {
        assert!((r.level_dbuv[0] - 25.0).abs() < 0.1, "{}: {}", r.detector, r.level_dbuv[0]);
    }
}

#[test]
fn intermittent_carrier_on_the_average_detector() {
    // A carrier for one meter time constant every 1.6 s deflects the meter to 0.353: −9.0 dB.
    let (rate, f) = (36e3, 12e3);
    let mut x = sine(rate, 1.7, f, 60.0);
    for (n, x) in x.iter_mut().enumerate() {
        let t = n as f64 / rate - 0.05;
        if !(0.0..0.16).contains(&t) {
            *x = 0.0;
        }
    }
    let levels = measure(to_f32(&x), &settings(Band::A, rate, f, f, 100.0, Start::Rest)).unwrap();
    let got = level(&levels, Detector::CisprAverage, 0);
    assert!((got - 51.0).abs() < 0.1, "{got}");
}

#[test]
fn any_rate_and_any_grid_is_met_exactly() {
    // Rates that do not divide into the step, grids that miss the multiples of the step, an irrational ratio.
    for (rate, from, step) in [
        (1.35e6, 150e3, 4500.0),
        (1.0e6, 150e3, 4500.0),
        (1.234_567e6, 150_001.0, 4321.0),
        (1e6 * std::f64::consts::PI, 150e3, 4500.0),
        (2.5e6, 170e3, 9000.0),
    ] {
        for k in [0, 7, 20] {
            let f = from + step * f64::from(k);
            let x = sine(rate, 0.02, f, 60.0);
            let to = from + 24.0 * step;
            let levels = measure(to_f32(&x), &settings(Band::B, rate, from, to, step, Start::Settled)).unwrap();
            assert_eq!(levels.frequency_hz.len(), 25);
            assert!((levels.frequency_hz[k as usize] - f).abs() < 1e-6);
            for r in &levels.readings {
                let got = r.level_dbuv[k as usize];
                assert!((got - 60.0).abs() < 0.01, "{rate} Hz, {f} Hz, {}: {got}", r.detector);
            }
            let peak = levels.reading(Detector::Peak).unwrap();
            let far = (k as usize + 12) % 25;
            assert!(peak.level_dbuv[far] < -25.0, "{rate} Hz: {} dBµV far from the sine", peak.level_dbuv[far]);
        }
    }
}

#[test]
fn without_a_step_the_records_own_frequencies_are_taken() {
    // 1 MHz holds 222.2 steps of 4.5 kHz: the next whole number without a factor above 7 is 224.
    for (complex, centre, length) in [(false, None, 224.0), (true, Some(400e3), 224.0)] {
        let rate = 1e6;
        let own = rate / length;
        let k = 12.0;
        let f = centre.unwrap_or(0.0) + if complex { -k } else { 4.0 * k } * own;
        let x: Vec<f32> = if complex {
            let turns = |n: i32| TAU * ((f - centre.unwrap_or(0.0)) / rate * f64::from(n)).fract();
            let a = 2f64.sqrt() * volts(60.0);
            (0..20_000).flat_map(|n| [(a * turns(n).cos()) as f32, (a * turns(n).sin()) as f32]).collect()
        } else {
            sine(rate, 0.02, f, 60.0).iter().map(|x| *x as f32).collect()
        };
        let mut s = Settings::new(Band::B, rate);
        (s.start, s.centre_hz) = (Some(Start::Settled), centre);
        (s.from_hz, s.to_hz) = (Some(151e3), Some(450e3));
        let mut source = Memory::new(Samples::F32(x));
        source.complex = complex;
        let levels = receiver::receive(&mut source, &s, &mut |_| ControlFlow::Continue(())).unwrap();
        let at = &levels.frequency_hz;
        assert!(at.windows(2).all(|w| (w[1] - w[0] - own).abs() < 1e-6 && own <= 4500.0), "{own} {:?}", &at[..3]);
        assert!(
            at[0] >= 151e3 && at[0] < 151e3 + own && *at.last().unwrap() <= 450e3 && at.last().unwrap() + own > 450e3
        );
        let k = at.iter().position(|g| (g - f).abs() < 1e-6).unwrap();
        for r in &levels.readings {
            assert!((r.level_dbuv[k] - 60.0).abs() < 0.01, "{} {}", r.detector, r.level_dbuv[k]);
            assert!(r.level_dbuv[(k + 20) % at.len()] < -25.0, "{} far from the sine", r.detector);
        }
        assert!(levels.notes.iter().any(|n| n.contains("the record's own")), "{:?}", levels.notes);
        // Asked for, the step is met.
        s.step_hz = Some(4500.0);
        let asked = receiver::receive(&mut source, &s, &mut |_| ControlFlow::Continue(())).unwrap();
        assert_eq!(asked.frequency_hz[..2], [151e3, 155.5e3]);
    }
}

#[test]
fn complex_record_with_a_centre() {
    // The numbers of a complex record are the carrier's amplitude: 1 mV r.m.s. is a magnitude of √2 mV.
    let (rate, centre) = (480e3, 1e6);
    for (from, f) in [(850e3, 913e3), (850e3, 1.075e6), (851e3, 914e3)] {
        let a = 2f64.sqrt() * volts(60.0);
        let x: Vec<f32> = (0..24_000)
            .flat_map(|n| {
                let angle = TAU * ((f - centre) / rate * f64::from(n)).fract();
                [(a * angle.cos()) as f32, (a * angle.sin()) as f32]
            })
            .collect();
        let mut s = settings(Band::B, rate, from, 1.15e6, 4500.0, Start::Settled);
        s.centre_hz = Some(centre);
        let mut source = Memory::new(Samples::F32(x));
        source.complex = true;
        let levels = receiver::receive(&mut source, &s, &mut |_| ControlFlow::Continue(())).unwrap();
        let k = levels.frequency_hz.iter().position(|g| (g - f).abs() < 1e-3).unwrap();
        for r in &levels.readings {
            assert!((r.level_dbuv[k] - 60.0).abs() < 0.01, "{f} Hz {}: {}", r.detector, r.level_dbuv[k]);
        }
        let top = levels.reading(Detector::Peak).unwrap().level_dbuv.iter().copied().fold(f64::MIN, f64::max);
        assert!((top - 60.0).abs() < 0.01);
    }
}

#[test]
fn formats_channels_and_threads_change_nothing() {
    let rate = 1.35e6;
    let x: Vec<f64> =
        sine(rate, 0.03, 303e3, 80.0).iter().enumerate().map(|(n, x)| x + 1e-4 * gauss(3, n as u64)).collect();
    let counts: Vec<i16> = x.iter().map(|x| (x / 1e-5).round() as i16).collect();
    let mut s = settings(Band::B, rate, 153e3, 600e3, 4500.0, Start::Settled);
    s.volts_per_unit = 1e-5;
    let run = |samples: Samples, channels: usize, channel: usize, threads: usize| {
        let mut source = Memory::new(samples);
        source.channels = channels;
        let s = Settings { channel, threads: Some(threads), ..s.clone() };
        receiver::receive(&mut source, &s, &mut |_| ControlFlow::Continue(())).unwrap()
    };
    let one = run(Samples::I16(counts.clone()), 1, 0, 1);
    let wide = |f: &dyn Fn(i16) -> i32| counts.iter().map(|c| f(*c)).collect::<Vec<i32>>();
    for (other, what) in [
        (run(Samples::I16(counts.clone()), 1, 0, 2), "two threads"),
        (run(Samples::I16(counts.clone()), 1, 0, 5), "five threads"),
        (run(Samples::I32(wide(&i32::from)), 1, 0, 2), "32-bit integers"),
        (run(Samples::F32(counts.iter().map(|c| f32::from(*c)).collect()), 1, 0, 1), "single precision"),
        (run(Samples::I16(counts.iter().flat_map(|c| [7, *c, -3]).collect()), 3, 1, 2), "three channels"),
    ] {
        assert_eq!(one.readings, other.readings, "{what}");
    }
    let double = run(Samples::F64(counts.iter().map(|c| f64::from(*c)).collect()), 1, 0, 1);
    for (a, b) in one.readings.iter().zip(&double.readings) {
        for (a, b) in a.level_dbuv.iter().zip(&b.level_dbuv) {
            assert!((a - b).abs() < 1e-3);
        }
    }
}

#[test]
fn every_instruction_set_gives_the_same_trace() {
    // A direct grid, one for which the rate is changed, and a complex record: traces as text, to four decimals.
    let rate = 1.35e6;
    let x: Vec<f32> = make(&json!({"rate_hz": rate, "seconds": 0.02, "parts": [
        {"kind": "sine", "f_hz": 303e3, "level_dbuv": 80.0},
        {"kind": "pulses", "area_vs": 4e-8, "rate_hz": 300.0, "first_s": 0.001},
        {"kind": "noise", "density_dbuv_per_rthz": 10.0, "seed": 4}]}));
    let on = |set: &str, step: f64, complex: bool| {
        let mut source = Memory::new(Samples::F32(x.clone()));
        source.complex = complex;
        let mut s = settings(Band::B, rate, 153e3, 600e3, step, Start::Settled);
        s.threads = Some(2);
        let levels = receiver::receive_on(set, &mut source, &s, &mut |_| ControlFlow::Continue(())).unwrap();
        let row =
            |k: usize| levels.readings.iter().map(|r| format!("{:.4}", r.level_dbuv[k])).collect::<Vec<_>>().join(",");
        let rows = levels.frequency_hz.iter().enumerate().map(|(k, f)| format!("{f:.3},{}", row(k)));
        rows.collect::<Vec<_>>().join("\n")
    };
    let sets = receiver::instruction_sets();
    println!("compared: {}", sets.join(", "));
    for (step, complex) in [(4500.0, false), (4321.0, false), (4500.0, true)] {
        let plain = on(sets[0], step, complex);
        assert!(plain.lines().count() > 90);
        for set in &sets[1..] {
            assert!(on(set, step, complex) == plain, "{set} differs from {} at a step of {step}", sets[0]);
        }
    }
    let unknown = receiver::receive_on(
        "abacus",
        &mut Memory::new(Samples::F32(x.clone())),
        &Settings::new(Band::B, rate),
        &mut |_| ControlFlow::Continue(()),
    );
    assert!(unknown.unwrap_err().to_string().contains("plain"));
}

#[test]
fn bytes_and_their_rounding_floor() {
    let rate = 1.35e6;
    let x = sine(rate, 0.05, 303e3, 100.0);
    let unit = 2e-3;
    let s = Settings { volts_per_unit: unit, ..settings(Band::B, rate, 153e3, 600e3, 4500.0, Start::Settled) };
    // Dithered by noise of one step, so that the rounding error is the white noise the estimate supposes.
    let number = |n: usize, x: f64| (x / unit + gauss(9, n as u64)).round();
    let signed = measure(Samples::I8(x.iter().enumerate().map(|(n, x)| number(n, *x) as i8).collect()), &s).unwrap();
    let unsigned =
        measure(Samples::U8(x.iter().enumerate().map(|(n, x)| (number(n, *x) + 128.0) as u8).collect()), &s).unwrap();
    assert_eq!(signed.readings, unsigned.readings);
    // One step of dither has twelve times the power of the rounding.
    let floor = signed.quantisation_floor_dbuv.unwrap();
    let mut quiet: Vec<f64> = signed.reading(Detector::RmsAverage).unwrap().level_dbuv.clone();
    quiet.sort_by(f64::total_cmp);
    let median = quiet[quiet.len() / 2];
    let want = floor + 10.0 * 13f64.log10();
    assert!((median - want).abs() < 0.7, "noise {median:.2} dBµV, rounding and dither {want:.2}");
}

/// A record that does not say how long it is.
struct Endless(Memory);

impl SampleSource for Endless {
    fn next_block(&mut self) -> Result<Option<Block<'_>>, SourceError> {
        self.0.next_block()
    }

    fn rewind(&mut self) -> Result<(), SourceError> {
        self.0.rewind()
    }

    fn frames(&self) -> Option<u64> {
        None
    }
}

#[test]
fn a_record_of_unknown_length_settles_to_the_same_levels() {
    // One goes through the magnitudes that it kept, the other through the record again; the shorter one is shorter than
    // the window of the RMS-average detector.
    let rate = 1.35e6;
    for seconds in [0.004, 0.05] {
        let x = make(&json!({"rate_hz": rate, "seconds": seconds, "parts": [
            {"kind": "sine", "f_hz": 301e3, "level_dbuv": 60.0},
            {"kind": "am", "f_hz": 450e3, "level_dbuv": 50.0, "depth": 0.9, "mod_hz": 400.0},
            {"kind": "pulses", "area_vs": 4e-8, "rate_hz": 300.0, "first_s": 0.0012},
            {"kind": "noise", "density_dbuv_per_rthz": 0.0, "seed": 5}]}));
        let s = settings(Band::B, rate, 153e3, 600e3, 4500.0, Start::Settled);
        let kept = measure(Samples::F32(x.clone()), &s).unwrap();
        let mut passes = 0;
        let mut count = |p: &receiver::Progress| {
            passes = passes.max(p.pass);
            ControlFlow::Continue(())
        };
        let again = receiver::receive(&mut Endless(Memory::new(Samples::F32(x))), &s, &mut count).unwrap();
        assert!((3..12).contains(&passes), "{passes} passes");
        for d in Detector::ALL {
            for k in 0..kept.frequency_hz.len() {
                let (a, b) = (level(&kept, d, k), level(&again, d, k));
                assert!((a - b).abs() < 0.01, "{seconds} s, {} Hz {d}: {a:.4} and {b:.4}", kept.frequency_hz[k]);
            }
        }
        assert!(kept.notes.iter().chain(&again.notes).all(|n| !n.contains("settled")), "{:?}", again.notes);
    }
}

#[test]
fn clipping_is_found_and_said() {
    let rate = 1.35e6;
    let clean = sine(rate, 0.02, 20e3, 120.0);
    let s = settings(Band::B, rate, 153e3, 300e3, 4500.0, Start::Settled);
    let levels = measure(to_f32(&clean), &s).unwrap();
    assert_eq!(levels.overload.clipped_samples, 0, "{:?}", levels.overload);
    let cut: Vec<f64> = clean.iter().map(|x| x.clamp(-1.0, 1.0)).collect();
    let expected = cut.iter().filter(|x| x.abs() == 1.0).count() as u64;
    let levels = measure(to_f32(&cut), &s).unwrap();
    assert_eq!(levels.overload.clipped_samples, expected);
    assert!(levels.notes.iter().any(|n| n.contains("clipped")));
    let full: Vec<i16> = clean.iter().map(|x| (x * 40_000.0) as i16).collect();
    let at_limit = full.iter().filter(|x| **x == i16::MAX || **x == i16::MIN).count() as u64;
    let levels = measure(Samples::I16(full), &s).unwrap();
    assert!(at_limit > 100 && levels.overload.clipped_samples == at_limit);
}

#[test]
fn short_records_are_lower_bounds_from_rest() {
    let rate = 1.35e6;
    let run = |seconds: f64, start: Option<Start>| {
        let x = sine(rate, seconds, 303e3, 60.0);
        let s = Settings { start, ..settings(Band::B, rate, 303e3, 303e3, 4500.0, Start::Rest) };
        measure(to_f32(&x), &s).unwrap()
    };
    let rest = run(0.1, Some(Start::Rest));
    for r in &rest.readings {
        assert_eq!(r.lower_bound[0], r.detector != Detector::Peak, "{}", r.detector);
        assert!(r.level_dbuv[0] < 60.01);
    }
    // A critically damped meter after 0.1 s of its 0.16 s time constant: 1 − (1 + x)·e^−x, x = 0.1/0.16, −17.7 dB.
    assert!((level(&rest, Detector::CisprAverage, 0) - 42.3).abs() < 0.2);
    assert_eq!(run(0.1, None).start, Start::Settled);
    let long = run(1.0, None);
    assert_eq!(long.start, Start::Rest);
    assert!(long.readings.iter().all(|r| !r.lower_bound[0] && (r.level_dbuv[0] - 60.0).abs() < 0.2));
}

#[test]
fn a_long_record_settles_as_its_repetition_does() {
    // Of a record much longer than the detectors remember only the beginning is played again. Where the record was cut must
    // not show: a burst of 1 s reads the same within the record (in its part that is read once, and in the one that is
    // played again) and where half of it is the record's end and half its beginning.
    let fs = 26e3;
    let seconds = 10.0;
    // The filter takes six standard deviations of either end; what is left repeats.
    let edge = 6.0 * (2.0 * 2f64.ln()).sqrt() / (std::f64::consts::PI * 200.0);
    let carrier = sine(fs, seconds, 10e3, 60.0);
    // Critically damped meter of 160 ms under a rectangle of 1 s (CISPR 16-1-1; from memory).
    let x = 1.0 / 0.16_f64;
    let average = 60.0 + 20.0 * (1.0 - (1.0 + x) * (-x).exp()).log10();
    let read = |on: &[[f64; 2]]| {
        let lit = |t: f64| on.iter().any(|[from, to]| (*from..*to).contains(&t));
        let x: Vec<f64> = carrier.iter().enumerate().map(|(n, x)| if lit(n as f64 / fs) { *x } else { 0.0 }).collect();
        measure(to_f32(&x), &settings(Band::A, fs, 10e3, 10e3, 100.0, Start::Settled)).unwrap()
    };
    let within = read(&[[7.0, 8.0]]);
    for (place, levels) in [
        ("early", read(&[[2.0, 3.0]])),
        ("late", within.clone()),
        ("cut", read(&[[0.0, edge + 0.5], [seconds - edge - 0.5, seconds]])),
    ] {
        for d in Detector::ALL {
            let (got, want) = (level(&levels, d, 0), level(&within, d, 0));
            assert!((got - want).abs() < 0.05, "{place} {d}: {got}, uncut {want}");
        }
        let got = level(&levels, Detector::CisprAverage, 0);
        assert!((got - average).abs() < 0.05, "{place}: {got}, expected {average}");
    }
}

#[test]
fn a_long_pulse_train_reads_as_from_rest() {
    // After 5 s nothing is left of the start, so a steady train reads the same either way. The interval at the cut is a
    // little longer than the others (the rate changer and the cut to whole spectra take less than the 12 ms added), so it is never the
    // one that reads highest.
    let fs = 26e3;
    let sigma = (2.0 * 2f64.ln()).sqrt() / (std::f64::consts::PI * 200.0);
    let x = make(&json!({"rate_hz": fs, "seconds": 10.012 + 12.0 * sigma, "parts": [
        {"kind": "pulses", "area_vs": 1e-6, "rate_hz": 10.0, "first_s": 0.05}]}));
    let read = |start| measure(Samples::F32(x.clone()), &settings(Band::A, fs, 10e3, 10e3, 100.0, start)).unwrap();
    let (settled, rest) = (read(Start::Settled), read(Start::Rest));
    for d in Detector::ALL {
        let (a, b) = (level(&settled, d, 0), level(&rest, d, 0));
        assert!((a - b).abs() < 0.05, "{d}: {a} and {b}");
    }
}

#[test]
fn impossible_settings_are_named() {
    let x = || Samples::F32(vec![0.0; 100_000]);
    let ok = settings(Band::B, 1.35e6, 153e3, 600e3, 4500.0, Start::Rest);
    let field = |s: Settings, x: Samples| match measure(x, &s) {
        Err(ReceiverError::Settings { field, .. }) => field,
        other => panic!("expected a settings error, found {other:?}"),
    };
    assert_eq!(field(Settings { rate_hz: 0.0, ..ok.clone() }, x()), "rate_hz");
    assert_eq!(field(Settings { rate_hz: 20e3, from_hz: None, to_hz: None, ..ok.clone() }, x()), "rate_hz");
    assert_eq!(field(Settings { step_hz: Some(-1.0), ..ok.clone() }, x()), "step_hz");
    assert_eq!(field(Settings { to_hz: Some(900e3), ..ok.clone() }, x()), "to_hz");
    assert_eq!(field(Settings { from_hz: Some(700e3), to_hz: Some(710e3), ..ok.clone() }, x()), "from_hz");
    assert_eq!(field(Settings { channel: 1, ..ok.clone() }, x()), "channel");
    assert_eq!(field(Settings { centre_hz: Some(1e6), ..ok.clone() }, x()), "centre_hz");
    assert_eq!(field(Settings { volts_per_unit: f64::NAN, ..ok.clone() }, x()), "volts_per_unit");
    assert!(matches!(measure(Samples::F32(vec![0.0; 50]), &ok), Err(ReceiverError::TooShort { frames: 50, .. })));
    assert!(matches!(measure(Samples::F32(Vec::new()), &ok), Err(ReceiverError::TooShort { frames: 0, .. })));
    let mut bad = vec![0.0; 100_000];
    bad[77_777] = f32::NAN;
    assert_eq!(measure(Samples::F32(bad), &ok).unwrap_err(), ReceiverError::NotFinite { frame: 77_777, channel: 0 });
    let mut source = Memory::new(x());
    let cancelled = receiver::receive(&mut source, &ok, &mut |_| ControlFlow::Break(()));
    assert_eq!(cancelled, Err(ReceiverError::Cancelled));
}

proptest! {
    #![proptest_config(ProptestConfig { failure_persistence: None, ..ProptestConfig::with_cases(24) })]
    #[test]
    fn detectors_keep_their_order(
        seed in 0_u64..1000, noise in 0.0..1e-3_f64, carrier in 20.0..90.0_f64, rate in 50.0..3000.0_f64, area in 1e-9..1e-6_f64,
    ) {
        // Peak at least quasi-peak at least CISPR-average; peak at least RMS-average at least CISPR-average.
        let fs = 900e3;
        let mut x = sine(fs, 0.02, 303e3, carrier);
        for (n, x) in x.iter_mut().enumerate() {
            *x += noise * gauss(seed, n as u64);
            if (n as f64 / fs * rate).fract() < rate / fs {
                *x += area * fs;
            }
        }
        let levels = measure(to_f32(&x), &settings(Band::B, fs, 153e3, 400e3, 4500.0, Start::Settled)).unwrap();
        for a in &levels.readings {
            for b in &levels.readings {
                if a.detector.reads_at_least(b.detector) {
                    for (k, (x, y)) in a.level_dbuv.iter().zip(&b.level_dbuv).enumerate() {
                        prop_assert!(*x > y - 0.02, "{} {x} below {} {y} at {} Hz", a.detector, b.detector, levels.frequency_hz[k]);
                    }
                }
            }
        }
    }
}
