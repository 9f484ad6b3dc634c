//! How fast a voltage is assessed for flicker: `cargo run --release -p mains --example flicker_pace [RATE_HZ [SECONDS]]`.
//! Prints seconds of work for each part and the time an hour of one channel takes, on one thread.

use std::f64::consts::TAU;
use std::time::Instant;

use mains::flicker::{FlickerMeter, FlickerSettings, Lamp};
use mains::line_drop::{CurrentFlicker, LineDropSettings, PhaseSource};
use mains::record::Mains;
use mains::voltage_change::{ChangeSettings, Impedance, VoltageChangeMeter};

fn main() {
    let mut args = std::env::args().skip(1).filter_map(|a| a.parse::<f64>().ok());
    let rate_hz = args.next().unwrap_or(20_000.0);
    let seconds = args.next().unwrap_or(1200.0);
    // Ten seconds of a voltage and a current, over and over.
    let n = (10.0 * rate_hz) as usize;
    let piece: Vec<f64> = (0..n)
        .map(|k| k as f64 / rate_hz)
        .map(|t| 325.3 * (1.0 + 0.001 * (TAU * 8.8 * t).sin()) * (TAU * 50.0 * t).sin())
        .collect();
    let current: Vec<f64> = piece.iter().map(|u| u / 50.0).collect();
    let times = (seconds / 10.0).ceil() as usize;
    let hour = 3600.0 / (times as f64 * 10.0);

    let mut meter = FlickerMeter::new(&FlickerSettings::new(rate_hz, Mains::Hz50, Lamp::V230)).expect("settings");
    let start = Instant::now();
    for _ in 0..times {
        meter.push(&piece).expect("finite");
    }
    let pst = meter.finish().expect("long enough").pst;
    let flicker = start.elapsed().as_secs_f64();

    let settings = ChangeSettings { mains: Mains::Hz50, nominal_v: 230.0, tmax_threshold_percent: 3.3 };
    let mut meter = VoltageChangeMeter::new(rate_hz, &settings).expect("settings");
    let start = Instant::now();
    for _ in 0..times {
        meter.push(&piece);
    }
    let changes = meter.finish().expect("long enough").changes_seen;
    let change = start.elapsed().as_secs_f64();

    let settings = LineDropSettings {
        rate_hz,
        mains: Mains::Hz50,
        nominal_v: 230.0,
        impedance: Impedance::reference(),
        phase: PhaseSource::Voltage,
    };
    let mut meter = CurrentFlicker::new(&settings, Lamp::V230, 3.3).expect("settings");
    let start = Instant::now();
    for _ in 0..times {
        meter.push(&current, &piece).expect("finite");
    }
    meter.finish().expect("long enough");
    let from_current = start.elapsed().as_secs_f64();

    println!(
        "{rate_hz} S/s, {} s of signal (Pst {pst:.3}, {changes} changes); an hour of one channel takes:",
        times * 10
    );
    println!("  flickermeter            {:.2} s", flicker * hour);
    println!("  half-cycles and d(t)    {:.2} s", change * hour);
    println!("  all of it from current  {:.2} s", from_current * hour);
}
