//! How long a prediction and a search take: `cargo run --release -p remedy --example redraw`.

use std::time::Instant;

use emission::{Column, JudgeOptions, Trace};
use quantity::Unit;
use remedy::candidates::{Change, Topology};
use remedy::fitted::read_fitted;
use remedy::library::Library;
use remedy::networks::NetworkKind;
use remedy::port::PortModel;
use remedy::predict::Measured;
use remedy::safety::{Bounds, Supply};
use remedy::search::{Bench, Problem};
use standards::{Detector, LimitLibrary};

const FILTER: &str = include_str!("../../scenario/src/mains-filter.toml");

/// A trace as the demonstration's: an eighth of the bandwidth from 150 kHz to 30 MHz, four detectors, multiples of 131.8 kHz.
fn trace(shift_db: f64) -> Trace {
    let frequency_hz: Vec<f64> = (0..26_534).map(|k| 150e3 + 1125.0 * f64::from(k)).collect();
    let level = |f: f64| {
        let n = (f / 131.8e3).round().max(1.0);
        let off = (f - n * 131.8e3) / 9e3;
        (54.1 - 25.0 * (n / 3.0).log10() - 20.0 * off * off).max(10.0) + shift_db
    };
    let column = |d: Detector| Column {
        detector: Some(d),
        name: d.key().to_owned(),
        level_db: frequency_hz.iter().map(|f| level(*f)).collect(),
        lower_bound: vec![],
        floor_db: vec![],
    };
    Trace {
        columns: [Detector::Peak, Detector::QuasiPeak, Detector::CisprAverage, Detector::RmsAverage]
            .map(column)
            .to_vec(),
        frequency_hz,
        unit: Some(Unit::DbUv),
        bandwidth_hz: Some(9e3),
        impedance_ohm: None,
        history: vec![],
    }
}

fn main() -> Result<(), remedy::RemedyError> {
    let limits = LimitLibrary::embedded();
    let ids = ["cispr32-b-mains-qp", "cispr32-b-mains-av"];
    let described = read_fitted(FILTER, "mains-filter.toml", Library::built_in())?;
    for (name, port) in [("filter described", described), ("nothing known", PortModel::unknown(NetworkKind::Fifty50u))]
    {
        let exchange = port.described;
        let problem = Problem {
            measured: Measured { second: Some(trace(-2.0)), ..Measured::one(trace(0.0)) },
            port,
            limits: ids.iter().filter_map(|id| limits.get(id).cloned()).collect(),
            options: JudgeOptions::default(),
            supply: Supply { voltage_v: 230.0, frequency_hz: 50.0, current_a: 0.35, crest_factor: 3.5 },
            bounds: Bounds::default(),
            library: Library::built_in().clone(),
            wanted_probability: 0.95,
            most: 10,
            converters_hz: vec![131.8e3],
            converter_w: Some(36.0),
        };
        let start = Instant::now();
        let bench = Bench::new(problem)?;
        let prepared = start.elapsed();
        let part = |id: &str| Library::built_in().get(id).cloned().unwrap_or_else(|| panic!("{id} is in the library"));
        let change = if exchange {
            Change::Exchange { index: 2, part: part("x2-470nf") }
        } else {
            Change::Add(remedy::port::Stage { place: remedy::port::Place::AcrossLines, part: part("x2-470nf") })
        };
        let mut best = f64::INFINITY;
        let mut all = Vec::new();
        for _ in 0..15 {
            let start = Instant::now();
            bench.predict(std::slice::from_ref(&change))?;
            let ms = start.elapsed().as_secs_f64() * 1e3;
            best = best.min(ms);
            all.push(ms);
        }
        all.sort_by(f64::total_cmp);
        let start = Instant::now();
        bench.try_out(Topology::ExchangeX, std::slice::from_ref(&change))?;
        let whole = start.elapsed();
        let start = Instant::now();
        let found = bench.search()?;
        println!(
            "{name}: prepared in {:.0} ms; 26 534 frequencies, four detectors, redrawn in {:.1} ms (median of 15, best {best:.1}); \
             with margin, chance and warnings {:.0} ms; {} candidates searched in {:.1} s",
            prepared.as_secs_f64() * 1e3,
            all[7],
            whole.as_secs_f64() * 1e3,
            found.tried,
            start.elapsed().as_secs_f64()
        );
    }
    Ok(())
}
