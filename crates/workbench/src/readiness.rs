//! The figures of a design that decide whether it is ready for a laboratory, from the files of a project.

use std::f64::consts::TAU;
use std::fs;
use std::path::Path;

use campaign::{
    Days, Design, DischargeState, EarthLimit, FilterDesign, MainsDesign, NetworkDesign, Ready, Request, ScreenDesign,
    days, ready,
};
use project::{Product, ProductPort, Project, ScreenEnd, Supply as ProductSupply};
use remedy::fitted::read_fitted;
use remedy::library::Library;
use remedy::networks::{Cell, NetworkKind, SupplySystem, earth_caution, network_earth_current_a};
use remedy::parts::Model;
use remedy::port::{Place, PortModel, USUAL_CREST_FACTOR};
use remedy::safety::{Supply, discharge_ohm, discharge_rules, earth_current_limits, figures, reactive_a};
use remedy::screen::CableScreen;
use standards::Port;

use crate::planning::{Planning, planning};
use crate::{FILTERS, WorkError};

/// The supply may be this much above its rated voltage (IEC 60038: ±10 %).
const HIGHEST_SUPPLY: f64 = 1.1;
/// Two pigtails of 50 mm, 1 mm thick, and where their figure is taken (common practice).
const PIGTAIL_M: f64 = 0.1;
const PIGTAIL_DIAMETER_M: f64 = 1e-3;
const PIGTAIL_HZ: f64 = 100e6;
/// A single braid, and the length of it near the product that counts (from memory).
const BRAID_OHM_PER_M: f64 = 20e-3;
const BRAID_H_PER_M: f64 = 1e-9;
const BRAID_M: f64 = 0.3;

/// Whether a project is ready for a laboratory, with the days that its costs are reckoned from.
pub fn readiness(dir: &Path) -> Result<(Ready, Days), WorkError> {
    let p = planning(dir)?;
    let request = Request { chances: p.chances.clone(), ..Request::default() };
    let days = days(&p.plan, &p.answers, &p.pace, &p.laboratory, &request)
        .map_err(|e| WorkError::input("laboratory.toml", e.to_string(), "a plan that fits the laboratory"))?;
    let design = design(dir, &p)?;
    Ok((ready(&p.plan, &p.answers, &days, &p.laboratory, &p.runs, &design), days))
}

fn design(dir: &Path, planned: &Planning) -> Result<Design, WorkError> {
    let project = Project::open(dir)?;
    let product = project.product()?.product;
    let mut mains = Vec::new();
    for port in product.ports.iter().filter(|p| p.kind == Port::AcMains) {
        let supply = product.supply.as_ref().filter(|s| s.frequency_hz > 0.0);
        mains.push(mains_design(dir, port, supply)?);
    }
    let unusable = |e: remedy::RemedyError| WorkError::Ours(format!("the figure of a pigtail: {e}"));
    let screen = CableScreen {
        length_m: BRAID_M,
        transfer_ohm_per_m: BRAID_OHM_PER_M,
        transfer_h_per_m: BRAID_H_PER_M,
        pigtail_m: PIGTAIL_M,
        pigtail_diameter_m: PIGTAIL_DIAMETER_M,
    };
    let (screen_ohm, pigtail_ohm) = screen.transfer_ohm(PIGTAIL_HZ).map_err(unusable)?;
    let screens = product
        .ports
        .iter()
        .filter(|p| p.screened == Some(true))
        .map(|p| ScreenDesign {
            port: p.id.clone(),
            port_name: p.name.clone(),
            ends: [p.screen_at_product, p.screen_at_far_end].map(|e| e.map(|e| end_words(e).to_owned())),
            all_round: [p.screen_at_product, p.screen_at_far_end].iter().all(|e| *e == Some(ScreenEnd::AllRound)),
            pigtail_m: PIGTAIL_M,
            frequency_hz: PIGTAIL_HZ,
            screen_ohm,
            pigtail_ohm,
        })
        .collect();
    let quarter_wave_hz = planned
        .answers
        .ports
        .iter()
        .filter_map(|p| {
            let length = p.cable_length_m.filter(|l| *l > 0.0)?;
            let first = cause::resonance::cable_resonances(&p.name, length, f64::INFINITY).into_iter().next()?;
            Some((p.id.clone(), first.frequency_hz))
        })
        .collect();
    let criteria = [('A', &product.criteria.a), ('B', &product.criteria.b), ('C', &product.criteria.c)];
    Ok(Design {
        mains,
        screens,
        quarter_wave_hz,
        modes: product.modes.len(),
        criteria: criteria.iter().filter(|(_, text)| text.is_some()).map(|(c, _)| *c).collect(),
        observed: product.observed.is_some(),
        samples: samples(&project, &product)?,
    })
}

fn end_words(end: ScreenEnd) -> &'static str {
    match end {
        ScreenEnd::AllRound => "clamped all round",
        ScreenEnd::Pigtail => "joined by a wire",
        ScreenEnd::Capacitor => "joined through a capacitor",
        ScreenEnd::Open => "not joined",
    }
}

fn samples(project: &Project, product: &Product) -> Result<usize, WorkError> {
    let entered = project.samples()?.len();
    Ok(entered.max(product.samples.len()))
}

fn mains_design(dir: &Path, port: &ProductPort, supply: Option<&ProductSupply>) -> Result<MainsDesign, WorkError> {
    let path = dir.join(FILTERS).join(format!("{}.toml", port.id));
    let fitted = match fs::read_to_string(&path) {
        Ok(text) => {
            let place = format!("{FILTERS}/{}.toml", port.id);
            let read = read_fitted(&text, &place, Library::built_in())
                .map_err(|e| WorkError::input(place.as_str(), e.to_string(), "a filter as `hushfield fix` reads it"))?;
            Some((place, read))
        }
        Err(e) if e.kind() == std::io::ErrorKind::NotFound => None,
        Err(e) => return Err(WorkError::io(&path, "read the file", &e)),
    };
    let rated_v = supply.map_or(230.0, |s| s.voltage_v);
    let frequency_hz = supply.map_or(50.0, |s| s.frequency_hz);
    let kind = fitted.as_ref().map_or_else(NetworkKind::default, |(_, f)| f.network);
    let cell = Cell::usual(kind);
    let three = supply.is_some_and(|s| s.phases == 3);
    let system = if three { SupplySystem::ThreePhase } else { SupplySystem::SinglePhase };
    let (_, network_a) = network_earth_current_a(&cell, system, rated_v, frequency_hz);
    let inductors_h = cell.main_h + cell.supply_h.unwrap_or(0.0);
    let (_, wide_a) = network_earth_current_a(&Cell::usual(NetworkKind::Fifty50u5), system, rated_v, frequency_hz);
    let network = NetworkDesign {
        name: kind.name().to_owned(),
        range_hz: kind.range_hz(),
        earth_current_a: network_a,
        wide_earth_current_a: wide_a,
        drop_v: supply.and_then(|s| s.current_a).map(|i| 2.0 * TAU * frequency_hz * inductors_h * i),
        caution: earth_caution(wide_a),
    };
    Ok(MainsDesign {
        port: port.id.clone(),
        port_name: if port.name.is_empty() { port.id.clone() } else { port.name.clone() },
        filter: filter_of(fitted, rated_v * HIGHEST_SUPPLY, frequency_hz, supply),
        network,
    })
}

/// What is fitted: by the filter's own file, else by the capacitances that product.toml names (taken as they stand).
fn filter_of(
    fitted: Option<(String, PortModel)>,
    voltage_v: f64,
    frequency_hz: f64,
    supply: Option<&ProductSupply>,
) -> Option<FilterDesign> {
    let bleed_ohm = supply.and_then(|s| s.bleed_resistance_ohm);
    if let Some((file, port)) = fitted {
        let of = Supply {
            voltage_v,
            frequency_hz,
            current_a: supply.and_then(|s| s.current_a).unwrap_or(1.0),
            crest_factor: USUAL_CREST_FACTOR,
        };
        let f = figures(&port.fitted, &[], &of, None);
        // Resistors between the conductors discharge them together.
        let conductance: f64 = port
            .fitted
            .iter()
            .filter(|s| s.place == Place::AcrossLines)
            .filter_map(|s| match &s.part.model {
                Model::Resistor(r) => Some(1.0 / (r.resistance_ohm * (1.0 + s.part.tolerance))),
                _ => None,
            })
            .sum();
        let across_ohm = if conductance > 0.0 { Some(1.0 / conductance) } else { bleed_ohm };
        let file = format!("{file}, capacitors at the upper end of their tolerance");
        return Some(filter_design(file, voltage_v, frequency_hz, f.earth_current_a, f.across_f, across_ohm));
    }
    let (y, x) = (supply.and_then(|s| s.y_capacitance_f), supply.and_then(|s| s.x_capacitance_f));
    if y.is_none() && x.is_none() {
        return None;
    }
    let earth_a = reactive_a(y.unwrap_or(0.0), voltage_v, frequency_hz);
    // Of two equal capacitors to earth a quarter of their sum lies between the conductors.
    let across_f = x.unwrap_or(0.0) + y.unwrap_or(0.0) / 4.0;
    Some(filter_design(
        "product.toml, capacitances as they stand".to_owned(),
        voltage_v,
        frequency_hz,
        earth_a,
        across_f,
        bleed_ohm,
    ))
}

fn filter_design(
    file: String,
    voltage_v: f64,
    frequency_hz: f64,
    earth_current_a: f64,
    across_f: f64,
    across_ohm: Option<f64>,
) -> FilterDesign {
    FilterDesign {
        file,
        voltage_v,
        frequency_hz,
        earth_f: earth_current_a / (TAU * frequency_hz * voltage_v),
        earth_current_a,
        across_f,
        across_ohm,
        earth_limits: earth_current_limits()
            .iter()
            .map(|l| EarthLimit {
                id: l.id.clone(),
                standard: l.standard.clone(),
                title: l.title.clone(),
                limit_a: l.limit_ma * 1e-3,
                known: l.known.clone(),
            })
            .collect(),
        discharge: discharge_rules()
            .iter()
            .filter(|_| across_f > 0.0)
            .map(|r| {
                let largest_ohm = discharge_ohm(across_f, voltage_v, r);
                DischargeState {
                    id: r.id.clone(),
                    standard: r.standard.clone(),
                    to_v: r.to_v,
                    in_s: r.in_s,
                    above_f: r.above_f,
                    known: r.known.clone(),
                    largest_ohm,
                    takes_s: across_ohm.map(|ohm| r.in_s * ohm / largest_ohm),
                }
            })
            .collect(),
    }
}
