//! What is measured besides the levels of one finished record: the noise floor, time structure, several channels at once,
//! streams that are still coming in.

mod common;

use std::collections::VecDeque;
use std::ops::ControlFlow;
use std::time::Duration;

use common::{Memory, Samples, make, measure, volts};
use receiver::{Loss, ReceiverError, Settings, Start, TimelineSize, Wish, follow, receive_several};
use serde_json::json;
use signal::{Arrival, Block, LiveSource, SampleSlice, SourceError};
use standards::{Band, Detector};

const RATE: f64 = 2.25e6;

fn settings() -> Settings {
    let mut s = Settings::new(Band::B, RATE);
    (s.from_hz, s.to_hz, s.step_hz, s.start) = (Some(150e3), Some(1e6), Some(4500.0), Some(Start::Rest));
    s
}

/// White noise of −6 dBµV/√Hz, and what else is asked for.
fn noisy(seconds: f64, others: &[serde_json::Value]) -> Samples {
    let mut parts = vec![json!({"kind": "noise", "density_dbuv_per_rthz": -6.0, "seed": 5})];
    parts.extend_from_slice(others);
    Samples::F32(make(&json!({"rate_hz": RATE, "seconds": seconds, "parts": parts})))
}

/// The density through a Gaussian filter of 9 kHz at −6 dB: noise bandwidth B·√π/(2·√(2·ln 2)), by integration.
fn want_dbuv() -> f64 {
    let bandwidth: f64 = (-40_000..40_000).map(|i| (-2.0 * 2f64.ln() * (f64::from(i) / 4500.0).powi(2)).exp()).sum();
    -6.0 + 10.0 * bandwidth.log10()
}

#[test]
fn the_floor_is_that_of_the_noise_whatever_stands_on_it() {
    let carriers: Vec<_> =
        (0..9).map(|k| json!({"kind": "sine", "f_hz": 200e3 + 90e3 * f64::from(k), "level_dbuv": 70.0})).collect();
    let bursts = vec![
        json!({"kind": "bursts", "f_hz": 400e3, "level_dbuv": 80.0, "period_s": 0.05, "on_s": 0.02, "edge_s": 1e-3}),
        json!({"kind": "pulses", "area_vs": 1e-6, "rate_hz": 100.0, "first_s": 0.003}),
    ];
    for (what, others) in [("noise alone", vec![]), ("nine carriers", carriers), ("bursts and pulses", bursts)] {
        let levels = measure(noisy(0.3, &others), &settings()).unwrap();
        let floor = levels.noise_floor.as_ref().unwrap();
        let known: Vec<f64> = floor.rms_average_dbuv.iter().copied().filter(|l| l.is_finite()).collect();
        assert_eq!(known.len(), levels.frequency_hz.len(), "{what}");
        let mean = known.iter().sum::<f64>() / known.len() as f64 - want_dbuv();
        let worst = known.iter().fold(0.0_f64, |w, l| w.max((l - want_dbuv()).abs()));
        println!("{what}: floor off by {mean:+.2} dB in the mean, {worst:.2} dB at most");
        // A quartile of 128 independent magnitudes has a standard deviation of 0.73 dB, the median of some tens of
        // neighbours about 0.2 dB.
        assert!(mean.abs() < 0.45 && worst < 0.9, "{what}: {mean} {worst}");
    }
}

/// Every detector reads on noise what the floor says it reads (RMS-average: r.m.s. value; average: √π/2 of it; peak and
/// quasi-peak: from theory); so on noise alone nothing is resolved, and a carrier well above it is.
#[test]
fn what_stands_on_the_floor_is_not_resolved_and_what_stands_above_is() {
    let carrier = json!({"kind": "sine", "f_hz": 600e3, "level_dbuv": 62.0});
    let s = Settings { start: Some(Start::Settled), ..settings() };
    let levels = measure(noisy(0.5, &[carrier]), &s).unwrap();
    let floor = levels.noise_floor.as_ref().unwrap();
    for r in &levels.readings {
        let away: Vec<usize> =
            (0..levels.frequency_hz.len()).filter(|&i| (levels.frequency_hz[i] - 600e3).abs() > 40e3).collect();
        let above = |i: usize| r.level_dbuv[i] - floor.level_dbuv(r.detector, i);
        let mean = away.iter().map(|&i| above(i)).sum::<f64>() / away.len() as f64;
        println!("{}: {mean:+.2} dB off what the floor says it reads", r.detector);
        assert!(mean.abs() < 1.0, "{}: {mean}", r.detector);
        assert!(away.iter().all(|&i| r.not_resolved[i]), "{}", r.detector);
        assert!(!r.not_resolved[100], "{}: the carrier", r.detector);
    }
    assert!(levels.notes.iter().any(|n| n.contains("noise floor")), "{:?}", levels.notes);
}

#[test]
fn a_band_full_of_carriers_has_no_floor_and_says_none() {
    let parts: Vec<_> =
        (0..28).map(|k| json!({"kind": "sine", "f_hz": 150e3 + 9e3 * f64::from(k), "level_dbuv": 60.0})).collect();
    let x = make(&json!({"rate_hz": RATE, "seconds": 0.1, "parts": parts}));
    let s = Settings { step_hz: Some(9e3), to_hz: Some(393e3), ..settings() };
    assert_eq!(measure(Samples::F32(x.clone()), &s).unwrap().noise_floor, None);
    let off = Settings { noise_floor: false, ..settings() };
    assert_eq!(measure(Samples::F32(x), &off).unwrap().noise_floor, None);
}

#[test]
fn a_timeline_shows_when_and_changes_no_level() {
    let burst = json!({"kind": "bursts", "f_hz": 501e3, "level_dbuv": 74.0, "period_s": 0.2, "on_s": 0.01, "edge_s": 1e-4, "first_s": 0.05});
    let x = || noisy(0.4, std::slice::from_ref(&burst));
    let without = measure(x(), &settings()).unwrap();
    for threads in [1, 3] {
        let size = TimelineSize { times: 64, frequencies: 50 };
        let with = measure(x(), &Settings { timeline: Some(size), threads: Some(threads), ..settings() }).unwrap();
        assert_eq!(with.readings, without.readings);
        let t = with.timeline.unwrap();
        assert!(t.times() > 32 && t.times() <= 64 && t.from_hz.len() <= 50 && t.from_hz.len() > 25);
        let cell = t.from_hz.iter().zip(&t.to_hz).position(|(a, b)| (*a..=*b).contains(&501e3)).unwrap();
        for time in 0..t.times() {
            let (from, to) = (t.first_s + t.step_s * time as f64, t.first_s + t.step_s * (time + 1) as f64);
            let on = [0.05, 0.25].iter().any(|s| from < s + 0.01 + 1e-4 && to > s - 1e-4);
            let level = f64::from(t.row(time)[cell]);
            if on {
                assert!((level - 74.0).abs() < 0.4, "{from} to {to}: {level}");
            } else if (from - 0.0601).abs() > 2e-4 && (from - 0.2601).abs() > 2e-4 {
                assert!(level < 55.0, "{from} to {to}: {level}");
            }
        }
        // No maximum is lost: the highest cell is the peak detector's reading.
        let peaks = &with.readings[0].level_dbuv;
        for (cell, (from, to)) in t.from_hz.iter().zip(&t.to_hz).enumerate() {
            let held = (0..t.times()).map(|i| f64::from(t.row(i)[cell])).fold(f64::NEG_INFINITY, f64::max);
            let inside = with.frequency_hz.iter().zip(peaks).filter(|(f, _)| (*from..=*to).contains(f));
            let peak = inside.map(|(_, l)| *l).fold(f64::NEG_INFINITY, f64::max);
            assert!((held - peak).abs() < 1e-3, "{from}: {held} {peak}");
        }
    }
}

#[test]
fn several_channels_in_one_pass_read_as_one_by_one() {
    let one = make(
        &json!({"rate_hz": RATE, "seconds": 0.08, "parts": [{"kind": "sine", "f_hz": 300e3, "level_dbuv": 60.0}]}),
    );
    let two = make(&json!({"rate_hz": RATE, "seconds": 0.08, "parts": [
        {"kind": "am", "f_hz": 500e3, "level_dbuv": 66.0, "depth": 0.5, "mod_hz": 300.0}]}));
    let both: Vec<f32> = one.iter().zip(&two).flat_map(|(a, b)| [*a, *b]).collect();
    for start in [Start::Rest, Start::Settled] {
        let own = |channel, volts_per_unit| Settings { channel, volts_per_unit, start: Some(start), ..settings() };
        let mut memory = Memory::new(Samples::F32(both.clone()));
        memory.channels = 2;
        let asked = [own(1, 1.0), own(0, 2.0), own(1, 1.0)];
        let mut passes = Vec::new();
        let all = receive_several(&mut memory, &asked, &mut |p| {
            passes.push((p.pass, p.frames_done));
            ControlFlow::Continue(())
        })
        .unwrap();
        let alone = [
            measure(Samples::F32(two.clone()), &own(0, 1.0)).unwrap(),
            measure(Samples::F32(one.clone()), &own(0, 2.0)).unwrap(),
        ];
        assert_eq!(all[0], alone[0]);
        assert_eq!(all[1], alone[1]);
        assert_eq!(all[2], alone[0]);
        // Once through from rest, whoever takes part.
        assert_eq!(
            passes.iter().map(|p| p.0).max(),
            Some(if start == Start::Rest { 1 } else { passes.last().unwrap().0 })
        );
    }
    let mut memory = Memory::new(Samples::F32(both.clone()));
    memory.channels = 2;
    let asked = [settings(), Settings { channel: 2, ..settings() }];
    let said = receive_several(&mut memory, &asked, &mut |_| ControlFlow::Continue(())).unwrap_err();
    assert!(matches!(said, ReceiverError::Settings { field: "channel", .. }), "{said}");
    let asked = [settings(), Settings { channel: 1, ..settings() }];
    let said = receive_several(&mut memory, &asked, &mut |_| ControlFlow::Break(())).unwrap_err();
    assert_eq!(said, ReceiverError::Cancelled);
}

/// A stream in memory: pieces and gaps as given.
struct Stream {
    pieces: VecDeque<Result<Vec<f32>, u64>>,
    now: Vec<f32>,
}

impl Stream {
    fn new(pieces: impl IntoIterator<Item = Result<Vec<f32>, u64>>) -> Self {
        Self { pieces: pieces.into_iter().collect(), now: Vec::new() }
    }
}

impl LiveSource for Stream {
    fn wait(&mut self, _: Duration) -> Result<Arrival, SourceError> {
        self.now.clear();
        Ok(match self.pieces.pop_front() {
            Some(Ok(piece)) if piece.is_empty() => Arrival::Nothing,
            Some(Ok(piece)) => {
                self.now = piece;
                Arrival::Block
            }
            Some(Err(lost)) => Arrival::Gap(lost),
            None => Arrival::End,
        })
    }

    fn block(&self) -> Block<'_> {
        Block { samples: SampleSlice::F32(&self.now), channels: 1, complex: false }
    }

    fn waiting_frames(&self) -> Option<u64> {
        Some(self.pieces.iter().flatten().map(|p| p.len() as u64).sum())
    }
}

fn record() -> Vec<f32> {
    make(&json!({"rate_hz": RATE, "seconds": 0.5, "parts": [
        {"kind": "am", "f_hz": 300e3, "level_dbuv": 66.0, "depth": 0.7, "mod_hz": 90.0},
        {"kind": "pulses", "area_vs": 1e-7, "rate_hz": 40.0, "first_s": 0.004},
        {"kind": "noise", "density_dbuv_per_rthz": -10.0, "seed": 2}]}))
}

#[test]
fn a_stream_in_pieces_reads_as_the_record_from_rest() {
    let x = record();
    let size = TimelineSize { times: 50, frequencies: 40 };
    let s = Settings { timeline: Some(size), ..settings() };
    let whole = measure(Samples::F32(x.clone()), &s).unwrap();
    let mut pieces: Vec<Result<Vec<f32>, u64>> = Vec::new();
    let mut at = 0;
    while at < x.len() {
        // Pieces from nothing to some thousand frames.
        let n = (at * 7919 % 5003).min(x.len() - at).max(usize::from(at % 3 > 0 || at == 0)).min(x.len() - at);
        pieces.push(Ok(x[at..at + n].to_vec()));
        if n == 0 {
            pieces.push(Ok(x[at..=at].to_vec()));
        }
        at += n.max(1);
    }
    let mut seen = Vec::new();
    let end = follow(&mut Stream::new(pieces), &s, Duration::ZERO, &mut |l| {
        seen.push((l.frames, l.levels.readings[0].level_dbuv[30]));
        Wish::GoOn
    })
    .unwrap();
    assert_eq!(end.levels, whole);
    assert_eq!((end.frames, end.began_frame, end.losses.len()), (x.len() as u64, 0, 0));
    assert!(seen.len() > 50 && seen.windows(2).all(|w| w[0].0 <= w[1].0 && w[0].1 <= w[1].1), "{}", seen.len());
}

#[test]
fn what_was_lost_is_said_and_no_spectrum_reaches_across() {
    // A steady carrier, then a loss that turns its phase over: read across the seam it would splatter far off tune.
    let rate = RATE;
    let part = |from: usize, to: usize, sign: f64| -> Vec<f32> {
        let a = 2f64.sqrt() * volts(80.0) * sign;
        (from..to).map(|n| (a * (std::f64::consts::TAU * (450e3 / rate * n as f64).fract()).cos()) as f32).collect()
    };
    let pieces =
        [Ok(part(0, 100_000, 1.0)), Err(12_345), Ok(part(0, 100_000, -1.0)), Err(10), Err(5), Ok(part(0, 40_000, 1.0))];
    let s = Settings { timeline: Some(TimelineSize::default()), ..settings() };
    let end = follow(&mut Stream::new(pieces), &s, Duration::from_secs(9), &mut |_| Wish::GoOn).unwrap();
    let losses = [(100_000, 12_345), (212_345, 10), (212_355, 5)].map(|(at_frame, frames)| Loss { at_frame, frames });
    assert_eq!(end.losses, losses);
    assert_eq!((end.lost_frames(), end.frames), (12_360, 252_360));
    let note = end.levels.notes.iter().find(|n| n.contains("lost")).unwrap();
    assert!(note.contains("12360 frames") && note.contains("3 place(s)"), "{note}");
    assert!((end.levels.duration_s - 240_000.0 / rate).abs() < 1e-12);
    // 297 kHz is 17 bandwidths off: with the seams it reads well over 20 dBµV, without only the filter's own side lobes.
    let k = end.levels.frequency_hz.iter().position(|f| (*f - 298_500.0).abs() < 1.0).unwrap();
    let quiet = end.levels.reading(Detector::Peak).unwrap().level_dbuv[k];
    let joined = measure(
        Samples::F32([part(0, 100_000, 1.0), part(0, 100_000, -1.0), part(0, 40_000, 1.0)].concat()),
        &settings(),
    )
    .unwrap();
    let across = joined.reading(Detector::Peak).unwrap().level_dbuv[k];
    println!("298.5 kHz: {quiet:.1} dBµV, with the seams {across:.1} dBµV");
    assert!(quiet < -20.0 && across > 20.0, "{quiet} {across}");
    // The gap is a gap in the timeline too.
    let t = end.levels.timeline.unwrap();
    let at = |seconds: f64| ((seconds - t.first_s) / t.step_s) as usize;
    assert!(t.row(at(106_000.0 / rate))[67].is_nan());
    // 451.5 kHz is 1.5 kHz off tune: 20·log10(2)·(2·1.5/9)² dB down.
    assert!((f64::from(t.row(at(50_000.0 / rate))[67]) - (80.0 - 0.67)).abs() < 0.1);
}

#[test]
fn a_measurement_begins_again_or_stops_when_wished() {
    let x = record();
    let pieces = || x.chunks(3000).map(|c| Ok(c.to_vec())).collect::<Vec<_>>();
    let mut calls = 0;
    let end = follow(&mut Stream::new(pieces()), &settings(), Duration::ZERO, &mut |l| {
        calls += 1;
        match calls {
            5 => Wish::StartAgain,
            6 => {
                assert!(l.began_frame > 0 && l.levels.duration_s < 0.1, "{} {}", l.began_frame, l.levels.duration_s);
                Wish::GoOn
            }
            9 => Wish::Stop,
            _ => Wish::GoOn,
        }
    })
    .unwrap();
    assert_eq!(calls, 9);
    assert!(end.began_frame > 0 && end.frames < x.len() as u64);
    let said = follow(&mut Stream::new([]), &settings(), Duration::ZERO, &mut |_| Wish::GoOn).unwrap_err();
    assert!(matches!(said, ReceiverError::TooShort { frames: 0, .. }), "{said}");
    let settled = Settings { start: Some(Start::Settled), ..settings() };
    let said = follow(&mut Stream::new([]), &settled, Duration::ZERO, &mut |_| Wish::GoOn).unwrap_err();
    assert!(matches!(said, ReceiverError::Settings { field: "start", .. }), "{said}");
}
