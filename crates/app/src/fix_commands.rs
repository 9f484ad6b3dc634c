//! What fixes it: remedies for a run, the parts they are made of, and artificial networks.

use std::fs;
use std::path::{Path, PathBuf};

use clap::{Args, ValueEnum};
use emission::Trace;
use formats::touchstone::open_touchstone;
use formats::trace_file::write_trace;
use remedy::RemedyError;
use remedy::bandmap::{Can, Family};
use remedy::library::Library;
use remedy::measured::MeasuredImpedance;
use remedy::networks::{
    BandCheck, Cell, NetworkKind, SupplySystem, check_cell, check_measured, earth_caution, network_earth_current_a,
};
use remedy::parts::engineering;
use remedy::predict::ModeKnowledge;
use remedy::safety::{Bounds, discharge_rules, earth_current_limits};
use remedy::search::{Found, Remedy};
use remedy::traps::WarningKind;
use serde_json::{Map, Value, json};
use standards::Detector;
use workbench::{FixRequest, WorkError, add_parts, prepare_fix, search_fix};

use crate::outcome::{Failure, Outcome};
use crate::print::{self, Show, db, hz};
use crate::progress::Bar;

#[derive(Debug, Clone, Copy, PartialEq, Eq, ValueEnum)]
pub(crate) enum ModeFlag {
    /// Only amplitudes are known
    Unknown,
    /// All common mode
    Common,
    /// All differential mode
    Differential,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq, ValueEnum)]
pub(crate) enum NetworkFlag {
    /// 50 ohm/50 uH + 5 ohm, from 9 kHz
    #[value(name = "50u5")]
    Fifty50u5,
    /// 50 ohm/50 uH, from 150 kHz
    #[value(name = "50u")]
    Fifty50u,
    /// 50 ohm/5 uH + 1 ohm, to 108 MHz
    #[value(name = "5u1")]
    Fifty5u1,
}

impl NetworkFlag {
    fn kind(self) -> NetworkKind {
        match self {
            Self::Fifty50u5 => NetworkKind::Fifty50u5,
            Self::Fifty50u => NetworkKind::Fifty50u,
            Self::Fifty5u1 => NetworkKind::Fifty5u1,
        }
    }
}

#[derive(Debug, Args)]
pub(crate) struct Fix {
    /// The project's folder
    pub(crate) dir: PathBuf,
    /// The run with the excess (`hushfield runs DIR` lists them)
    #[arg(long)]
    pub(crate) run: String,
    /// Run of the other conductor [default: the latest in the same state]
    #[arg(long)]
    pub(crate) other: Option<String>,
    /// Run of the common-mode current, by a clamp round both conductors: settles how the modes are split
    #[arg(long)]
    pub(crate) clamp: Option<String>,
    /// What is known of the modes
    #[arg(long, value_enum, default_value = "unknown")]
    pub(crate) mode: ModeFlag,
    /// Largest current to earth, mA
    #[arg(long, allow_negative_numbers = true)]
    pub(crate) earth_current: Option<f64>,
    /// A published earth-current limit, by id (`hushfield parts --rules` lists them)
    #[arg(long)]
    pub(crate) earth_standard: Option<String>,
    /// Supply voltage for earth current and charge, V [default: product.toml, else 230]
    #[arg(long, allow_negative_numbers = true)]
    pub(crate) voltage: Option<f64>,
    /// Supply frequency, Hz [default: product.toml, else 50]
    #[arg(long, allow_negative_numbers = true)]
    pub(crate) frequency: Option<f64>,
    /// Supply current, A [default: the filter's file or product.toml]
    #[arg(long, allow_negative_numbers = true)]
    pub(crate) current: Option<f64>,
    /// Crest of the supply current over its r.m.s. value
    #[arg(long, allow_negative_numbers = true)]
    pub(crate) crest_factor: Option<f64>,
    /// Rule for the charge that stays at the plug, by id (`hushfield parts --rules`)
    #[arg(long)]
    pub(crate) discharge: Option<String>,
    /// Largest heat in the discharge resistor, W
    #[arg(long, allow_negative_numbers = true)]
    pub(crate) max_discharge_heat: Option<f64>,
    /// Largest peak current into the filter at switching on, A
    #[arg(long, allow_negative_numbers = true)]
    pub(crate) max_inrush: Option<f64>,
    /// Largest voltage drop over the filter, V
    #[arg(long, allow_negative_numbers = true)]
    pub(crate) max_drop: Option<f64>,
    /// Largest volume of what is added, mm³
    #[arg(long, allow_negative_numbers = true)]
    pub(crate) max_volume: Option<f64>,
    /// Largest cost index of what is added
    #[arg(long, allow_negative_numbers = true)]
    pub(crate) max_cost: Option<f64>,
    /// Parts of your own: TOML, or Touchstone (repeat it)
    #[arg(long)]
    pub(crate) parts: Vec<PathBuf>,
    /// Only parts of those files: what is at hand
    #[arg(long, requires = "parts")]
    pub(crate) only_parts: bool,
    /// Only these parts, by id
    #[arg(long, value_delimiter = ',')]
    pub(crate) at_hand: Vec<String>,
    /// Description of the filter that is fitted [default: filters/PORT.toml in the project]
    #[arg(long)]
    pub(crate) fitted: Option<PathBuf>,
    /// Artificial network that was used
    #[arg(long, value_enum)]
    pub(crate) network: Option<NetworkFlag>,
    /// Chance of passing that counts as enough, 0 to 1
    #[arg(long, default_value_t = 0.95, allow_negative_numbers = true)]
    pub(crate) probability: f64,
    /// At most so many remedies
    #[arg(long, default_value_t = 10)]
    pub(crate) most: usize,
    /// Write each predicted trace as CSV into this folder
    #[arg(long)]
    pub(crate) out: Option<PathBuf>,
}

#[derive(Debug, Args)]
pub(crate) struct Parts {
    /// Only parts whose id or name has this in it
    pub(crate) find: Option<String>,
    /// Parts of your own: TOML, or Touchstone (repeat it)
    #[arg(long)]
    pub(crate) parts: Vec<PathBuf>,
    /// Earth-current limits and discharge rules instead of parts
    #[arg(long)]
    pub(crate) rules: bool,
    /// Impedance at these frequencies, Hz
    #[arg(long, value_delimiter = ',')]
    pub(crate) at: Vec<f64>,
}

#[derive(Debug, Args)]
pub(crate) struct ArtificialNetwork {
    /// The network: TOML with its elements, or a measured .s1p [default: the usual circuit of the kind]
    pub(crate) file: Option<PathBuf>,
    /// Which published network it is to be
    #[arg(long, value_enum, default_value = "50u")]
    pub(crate) kind: NetworkFlag,
    /// Supply voltage for the earth current, V
    #[arg(long, default_value_t = 230.0, allow_negative_numbers = true)]
    pub(crate) voltage: f64,
    /// Supply frequency for the earth current, Hz
    #[arg(long, default_value_t = 50.0, allow_negative_numbers = true)]
    pub(crate) frequency: f64,
    /// One cell for each conductor of this supply; the voltage is line to neutral
    #[arg(long, value_enum, default_value = "single-phase")]
    pub(crate) supply: SupplyFlag,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq, ValueEnum)]
pub(crate) enum SupplyFlag {
    /// Line and neutral
    SinglePhase,
    /// Three lines and neutral
    ThreePhase,
    /// Direct current
    Dc,
}

fn request(a: &Fix) -> FixRequest {
    FixRequest {
        run: a.run.clone(),
        other_run: a.other.clone(),
        clamp_run: a.clamp.clone(),
        knowledge: match a.mode {
            ModeFlag::Unknown => ModeKnowledge::Unknown,
            ModeFlag::Common => ModeKnowledge::Common,
            ModeFlag::Differential => ModeKnowledge::Differential,
        },
        bounds: Bounds {
            earth_current_ma: a.earth_current,
            inrush_a: a.max_inrush,
            drop_v: a.max_drop,
            volume_mm3: a.max_volume,
            cost_index: a.max_cost,
            discharge_w: a.max_discharge_heat,
            discharge: a.discharge.clone(),
            at_hand: a.at_hand.clone(),
        },
        earth_standard: a.earth_standard.clone(),
        voltage_v: a.voltage,
        frequency_hz: a.frequency,
        current_a: a.current,
        crest_factor: a.crest_factor,
        parts: a.parts.clone(),
        only_own_parts: a.only_parts,
        fitted: a.fitted.clone(),
        network: a.network.map(NetworkFlag::kind),
        wanted_probability: Some(a.probability),
        most: Some(a.most),
    }
}

/// Positions that keep every peak of a trace within so many stretches of log frequency.
pub(crate) fn thin(trace: &Trace, most: usize) -> Vec<usize> {
    let f = &trace.frequency_hz;
    if f.len() <= most {
        return (0..f.len()).collect();
    }
    let (low, high) = (f[0], f[f.len() - 1]);
    let mut best: Vec<Option<usize>> = vec![None; most + 1];
    let level = |k: usize| trace.columns.iter().map(|c| c.level_db[k]).fold(f64::NEG_INFINITY, f64::max);
    for (k, &x) in f.iter().enumerate() {
        let b = &mut best[((x / low).ln() / (high / low).ln() * most as f64) as usize];
        if b.is_none_or(|i| level(k) > level(i)) {
            *b = Some(k);
        }
    }
    best.into_iter().flatten().collect()
}

/// At most so many frequencies of a predicted trace go into a document; the file has all.
const THIN: usize = 1500;

fn rounded(level: f64) -> Value {
    if level.is_finite() { json!((level * 1e3).round() / 1e3) } else { Value::Null }
}

fn predicted_json(r: &Remedy) -> Value {
    let (e, w) = (&r.predicted.expected, &r.predicted.worst);
    let at = thin(e, THIN);
    let mut out = Map::new();
    out.insert("thinned".into(), json!(at.len() < e.frequency_hz.len()));
    out.insert("frequency_hz".into(), at.iter().map(|&k| json!(e.frequency_hz[k])).collect());
    for (c, worst) in e.columns.iter().zip(&w.columns) {
        let key = c.detector.map_or("level", Detector::key);
        out.insert(format!("{key}_dbuv"), at.iter().map(|&k| rounded(c.level_db[k])).collect());
        out.insert(format!("worst_{key}_dbuv"), at.iter().map(|&k| rounded(worst.level_db[k])).collect());
    }
    Value::Object(out)
}

pub(crate) fn remedy_json(r: &Remedy) -> Map<String, Value> {
    let f = &r.figures;
    let mut out = Map::new();
    out.insert("name".into(), json!(r.name));
    out.insert("topology".into(), json!(r.topology));
    out.insert("parts".into(), json!(r.parts));
    out.insert("margin_db".into(), rounded(r.margin_db));
    out.insert("margin_frequency_hz".into(), json!(r.margin_frequency_hz));
    out.insert("worst_margin_db".into(), rounded(r.worst_margin_db));
    out.insert("worst_margin_frequency_hz".into(), json!(r.worst_margin_frequency_hz));
    out.insert("probability".into(), json!(r.probability));
    out.insert("enough".into(), json!(r.enough));
    out.insert("earth_current_ma".into(), rounded(f.earth_current_a * 1e3));
    out.insert("across_f".into(), json!(f.across_f));
    out.insert("reactive_ma".into(), rounded(f.reactive_a * 1e3));
    out.insert("discharge_ohm".into(), json!(f.discharge_ohm));
    out.insert("discharge_w".into(), json!(f.discharge_w));
    out.insert("inrush_peak_a".into(), rounded(f.inrush_peak_a));
    out.insert("drop_v".into(), rounded(f.drop_v));
    out.insert("heat_w".into(), rounded(f.heat_w));
    out.insert("volume_mm3".into(), rounded(f.volume_mm3));
    out.insert("cost_index".into(), rounded(f.cost_index));
    out.insert("fit".into(), json!(r.fit));
    out.insert("stability_margin_db".into(), r.stability.map_or(Value::Null, |s| rounded(s.margin_db)));
    out.insert("warnings".into(), json!(r.warnings));
    out
}

fn percent(p: f64) -> String {
    match p {
        p if p > 0.995 => "> 99 %".into(),
        p if p < 0.005 => "< 1 %".into(),
        p => format!("{:.0} %", 100.0 * p),
    }
}

fn fix_text(found: &Found, bench_now: f64, needs: bool) -> String {
    let mut text =
        format!("As it is: {} Chance of passing, both conductors: {}.\n\n", found.now.sentence, percent(bench_now));
    if !needs {
        text.push_str("Nothing has to be mended here; what follows would raise the margin.\n\n");
    }
    let rows = found
        .remedies
        .iter()
        .enumerate()
        .map(|(i, r)| {
            vec![
                (i + 1).to_string(),
                r.name.clone(),
                percent(r.probability),
                format!("{:+.1}", r.margin_db),
                format!("{:+.1}", r.worst_margin_db),
                format!("{:.2}", r.figures.earth_current_a * 1e3),
                format!("{:.1}", r.figures.volume_mm3 / 1e3),
                format!("{:.1}", r.figures.cost_index),
                r.fit.words().to_owned(),
            ]
        })
        .collect();
    text.push_str(&print::table(
        &["", "remedy", "chance", "margin, dB", "worst, dB", "earth, mA", "cm³", "cost", "fitting"],
        rows,
        &[2, 3, 4, 5, 6, 7],
    ));
    for (i, r) in found.remedies.iter().enumerate() {
        for w in &r.warnings {
            let mark = if w.kind == WarningKind::Safety { "caution" } else { "note" };
            text.push_str(&format!("{} {mark}: {}\n", i + 1, w.text));
        }
    }
    text.push_str(&format!("\n{} combinations tried.", found.tried));
    for (what, n) in &found.forbidden {
        text.push_str(&format!(" {n} forbidden by a bound ({what})."));
    }
    text.push('\n');
    for n in &found.notes {
        text.push_str(&format!("· {n}\n"));
    }
    text
}

fn map_text(frequency_hz: f64, needed_db: f64, families: &[Family]) -> String {
    let word = |c: Can| match c {
        Can::Yes => "can",
        Can::Perhaps => "perhaps",
        Can::No => "cannot",
    };
    let rows = families
        .iter()
        .flat_map(|f| {
            if f.modes.is_empty() {
                vec![vec![f.name.clone(), String::new(), word(f.can).into(), String::new(), f.why.clone()]]
            } else {
                f.modes
                    .iter()
                    .map(|m| {
                        vec![
                            f.name.clone(),
                            m.mode.name().replace(" mode", ""),
                            word(m.can).into(),
                            format!("{:.0} to {:.0}", m.least_db, m.most_db),
                            m.why.clone(),
                        ]
                    })
                    .collect()
            }
        })
        .collect();
    format!(
        "\nWhat can work at {}, where {needed_db:.1} dB are needed:\n{}",
        hz(frequency_hz),
        print::table(&["family", "mode", "", "loss, dB", "why"], rows, &[3])
    )
}

/// Exit code 0 where something is enough (or nothing has to be mended), 1 where nothing is.
pub(crate) fn fix(show: Show, a: &Fix) -> Result<Outcome, Failure> {
    let mut bar = Bar::new(show.quiet);
    let bench = prepare_fix(&a.dir, &request(a), &mut |s| bar.tell(s))?;
    let found = search_fix(&bench)?;
    drop(bar);
    let mut paths: Vec<Option<PathBuf>> = vec![None; found.remedies.len()];
    if let Some(folder) = &a.out {
        fs::create_dir_all(folder).map_err(|e| Failure::input(format!("--out {}: {e}", folder.display())))?;
        for (i, r) in found.remedies.iter().enumerate() {
            let path = folder.join(format!("remedy-{:02}.csv", i + 1));
            write_trace(&path, &r.predicted.expected, None).map_err(|e| Failure::input(e.to_string()))?;
            paths[i] = Some(path);
        }
    }
    let needs = bench.bench.needs_mending();
    let enough = !needs || found.remedies.iter().any(|r| r.enough);
    let now = bench.bench.probability_now();
    let (excess_hz, needed_db, families) = bench.bench.band_map(bench.facts);
    if show.json {
        let remedies: Vec<Value> = found
            .remedies
            .iter()
            .zip(&paths)
            .map(|(r, path)| {
                let mut out = remedy_json(r);
                out.insert("predicted_trace".into(), predicted_json(r));
                if let Some(p) = path {
                    out.insert("predicted_trace_file".into(), json!(p.display().to_string()));
                }
                Value::Object(out)
            })
            .collect();
        print::json(&json!({
            "run": bench.run.record.id,
            "other_run": bench.other_run,
            "needs_mending": needs,
            "enough_found": enough,
            "now": {
                "sentence": found.now.sentence,
                "worst_margin_db": rounded(found.now.worst_margin_db),
                "worst_frequency_hz": found.now.worst_frequency_hz,
                "probability": now,
            },
            "wanted_probability": a.probability,
            "tried": found.tried,
            "forbidden": found.forbidden.iter().map(|(what, n)| json!({ "what": what, "count": n })).collect::<Vec<_>>(),
            "remedies": remedies,
            "band_map": { "frequency_hz": excess_hz, "needed_db": rounded(needed_db), "families": families },
            "notes": found.notes,
        }))?;
    } else {
        let mut text = fix_text(&found, now, needs);
        text.push_str(&map_text(excess_hz, needed_db, &families));
        for p in paths.iter().flatten() {
            text.push_str(&format!("Written: {}\n", p.display()));
        }
        if needs && !enough {
            text.push_str(&format!(
                "None reaches {}: loosen a bound, describe the fitted filter, or settle the mode.\n",
                percent(a.probability)
            ));
        }
        print::text(&text)?;
    }
    Ok(if enough { Outcome::Done } else { Outcome::NotAPass })
}

pub(crate) fn parts(show: Show, a: &Parts) -> Result<Outcome, Failure> {
    if a.rules {
        return rules(show);
    }
    let mut library = Library::built_in().clone();
    for file in &a.parts {
        add_parts(&mut library, file)?;
    }
    for f in &a.at {
        if !(f.is_finite() && *f > 0.0) {
            return Err(Failure::input(format!("--at {f}: expected frequencies above zero, Hz")));
        }
    }
    let wanted = a.find.as_deref().unwrap_or_default().to_lowercase();
    let found: Vec<_> = library
        .all()
        .iter()
        .filter(|p| p.id.to_lowercase().contains(&wanted) || p.name.to_lowercase().contains(&wanted))
        .collect();
    if show.json {
        let list: Vec<Value> = found
            .iter()
            .map(|p| {
                let mut v = json!(p);
                if let (Some(object), false) = (v.as_object_mut(), a.at.is_empty()) {
                    let z: Vec<Value> = a
                        .at
                        .iter()
                        .map(|&f| {
                            let z = p.impedance_ohm(f);
                            json!({ "frequency_hz": f, "resistance_ohm": rounded(z.re), "reactance_ohm": rounded(z.im) })
                        })
                        .collect();
                    object.insert("impedance".into(), json!(z));
                }
                v
            })
            .collect();
        print::json(&json!({ "parts": list }))?;
        return Ok(Outcome::Done);
    }
    let mut heads = vec![
        "id".to_owned(),
        "part".into(),
        "value".into(),
        "tolerance".into(),
        "cm³".into(),
        "cost".into(),
        "fitting".into(),
    ];
    heads.extend(a.at.iter().map(|f| format!("|Z| at {}", hz(*f))));
    let rows = found
        .iter()
        .map(|p| {
            let mut row = vec![
                p.id.clone(),
                p.name.clone(),
                p.value_text(),
                format!("±{:.0} %", 100.0 * p.tolerance),
                format!("{:.1}", p.volume_mm3 / 1e3),
                format!("{:.1}", p.cost_index),
                p.fit.words().to_owned(),
            ];
            row.extend(a.at.iter().map(|&f| {
                let z = p.impedance_ohm(f).norm();
                if z.is_finite() { engineering(z, "Ω") } else { "–".into() }
            }));
            row
        })
        .collect();
    let heads: Vec<&str> = heads.iter().map(String::as_str).collect();
    print::text(&print::table(&heads, rows, &[3, 4, 5]))?;
    Ok(Outcome::Done)
}

fn rules(show: Show) -> Result<Outcome, Failure> {
    if show.json {
        print::json(&json!({ "earth_current": earth_current_limits(), "discharge": discharge_rules() }))?;
        return Ok(Outcome::Done);
    }
    let mut text = String::from("Current to earth (--earth-standard ID):\n");
    let rows = earth_current_limits()
        .iter()
        .map(|r| vec![r.id.clone(), format!("{}", r.limit_ma), r.standard.clone(), r.title.clone(), r.known.clone()])
        .collect();
    text.push_str(&print::table(&["id", "mA", "standard", "of", "known from"], rows, &[1]));
    text.push_str("\nCharge at the plug (--discharge ID):\n");
    let rows = discharge_rules()
        .iter()
        .map(|r| {
            vec![r.id.clone(), format!("{} V", r.to_v), format!("{} s", r.in_s), r.standard.clone(), r.known.clone()]
        })
        .collect();
    text.push_str(&print::table(&["id", "to", "in", "standard", "known from"], rows, &[1, 2]));
    text.push_str("Rows from memory, and editions in general: check with the standard before relying on them.\n");
    print::text(&text)?;
    Ok(Outcome::Done)
}

fn unusable(place: &Path, e: &RemedyError) -> Failure {
    Failure::input(format!("{}: {e}", place.display()))
}

fn measured_network(file: &Path) -> Result<MeasuredImpedance, Failure> {
    let network = open_touchstone(file).map_err(|e| Failure::input(e.to_string()))?;
    let z = network.impedance_ohm().map_err(|e| Failure::input(e.to_string()))?;
    let rows = network
        .frequency_hz
        .iter()
        .zip(&z)
        .filter(|(f, _)| **f > 0.0)
        .map(|(f, z)| [*f, z.re.max(0.0), z.im])
        .collect();
    Ok(MeasuredImpedance { rows, notes: Vec::new() })
}

fn advice_text(check: &BandCheck) -> String {
    if check.advice.is_empty() {
        return String::new();
    }
    let rows = check
        .advice
        .iter()
        .take(5)
        .map(|p| {
            vec![
                p.part.clone(),
                format!("{:.3e}", p.value),
                format!("{:.3e}", p.better),
                format!("{:.0} %", 100.0 * p.used),
                format!("{:.0} %", 100.0 * p.used_with),
            ]
        })
        .collect();
    format!(
        "\nWhat to change (one at a time; SI units):\n{}",
        print::table(&["part", "is", "better", "used now", "then"], rows, &[1, 2, 3, 4])
    )
}

/// Exit code 0 inside the band over the whole range, 1 outside.
pub(crate) fn artificial_network(show: Show, a: &ArtificialNetwork) -> Result<Outcome, Failure> {
    let kind = a.kind.kind();
    for (flag, v) in [("--voltage", a.voltage), ("--frequency", a.frequency)] {
        if !(v.is_finite() && v > 0.0) {
            return Err(Failure::input(format!("{flag} {v}: expected a number above zero")));
        }
    }
    let from_parts = match &a.file {
        None => Some(Cell::usual(kind)),
        Some(f) if f.extension().is_some_and(|e| e.eq_ignore_ascii_case("toml")) => {
            let text = fs::read_to_string(f).map_err(|e| Failure::input(format!("{}: {e}", f.display())))?;
            let cell: Cell = toml::from_str(&text).map_err(|e| {
                Failure::input(format!(
                    "{}: {}; expected main_h, node_f, coupling_f and the other elements in SI units",
                    f.display(),
                    e.to_string().trim_end()
                ))
            })?;
            Some(cell)
        }
        Some(_) => None,
    };
    let here = a.file.as_deref().unwrap_or(Path::new("the usual circuit"));
    let check = match (&from_parts, &a.file) {
        (Some(cell), _) => check_cell(cell, kind).map_err(|e| unusable(here, &e))?,
        (None, Some(file)) => check_measured(&measured_network(file)?, kind).map_err(|e| unusable(here, &e))?,
        (None, None) => return Err(Failure::ours("a network without elements and file")),
    };
    let system = match a.supply {
        SupplyFlag::SinglePhase => SupplySystem::SinglePhase,
        SupplyFlag::ThreePhase => SupplySystem::ThreePhase,
        SupplyFlag::Dc => SupplySystem::Dc,
    };
    // The caution speaks of the worst: one phase alone live.
    let earth = from_parts.as_ref().map(|c| network_earth_current_a(c, system, a.voltage, a.frequency));
    let earth_a = earth.map(|e| e.1).filter(|i| *i > 0.0);
    let (low, high) = kind.range_hz();
    let at: Vec<f64> = [9e3, 15e3, 50e3, 150e3, 500e3, 1.5e6, 5e6, 30e6, 108e6]
        .into_iter()
        .filter(|f| *f >= low && *f <= high)
        .collect();
    if show.json {
        print::json(&json!({
            "network": kind.name(),
            "kind": kind,
            "inside": check.inside(),
            "worst": check.worst,
            "worst_share_of_tolerance": check.worst.used(),
            "outside": check.outside.iter().map(|(f, t, u)| json!({ "from_hz": f, "to_hz": t, "share_of_tolerance": u })).collect::<Vec<_>>(),
            "not_measured": check.not_measured.iter().map(|(f, t)| json!({ "from_hz": f, "to_hz": t })).collect::<Vec<_>>(),
            "advice": check.advice,
            "points": check.points,
            "earth_current_a": earth.map(|e| e.1),
            "earth_current_balanced_a": earth.map(|e| e.0),
            "voltage_division": from_parts.as_ref().map(|c| at.iter().map(|&f| json!({
                "frequency_hz": f, "factor_db": c.division_factor_db(f), "isolation_db": c.isolation_db(f),
            })).collect::<Vec<_>>()),
            "caution": earth_a.map_or_else(|| print::MAINS_CAUTION.to_owned(), earth_caution),
        }))?;
    } else {
        let mut text = format!(
            "{} against {}: {}\n\n",
            here.display(),
            kind.name(),
            if check.inside() { "inside the band" } else { "outside the band" }
        );
        let nearest = |f: f64| {
            check
                .points
                .iter()
                .min_by(|p, q| (p.frequency_hz / f).ln().abs().total_cmp(&(q.frequency_hz / f).ln().abs()))
        };
        let rows = at
            .iter()
            .filter_map(|&f| nearest(f))
            .map(|p| {
                let cell = from_parts.as_ref();
                vec![
                    hz(p.frequency_hz),
                    format!("{:.2}", p.magnitude_ohm),
                    format!("{:.2}", p.nominal_ohm),
                    format!("{:+.1} %", 100.0 * p.magnitude_error),
                    format!("{:+.1}°", p.phase_error_deg),
                    cell.map_or("–".into(), |c| db(c.division_factor_db(p.frequency_hz))),
                    cell.map_or("–".into(), |c| db(c.isolation_db(p.frequency_hz))),
                ]
            })
            .collect();
        text.push_str(&print::table(
            &["frequency", "|Z|, Ω", "published, Ω", "magnitude", "phase", "factor, dB", "isolation, dB"],
            rows,
            &[1, 2, 3, 4, 5, 6],
        ));
        for (f, t, u) in &check.outside {
            text.push_str(&format!(
                "Outside from {} to {}: {:.0} % of the tolerance (±20 %, ±11.5°) at worst.\n",
                hz(*f),
                hz(*t),
                100.0 * u
            ));
        }
        for (f, t) in &check.not_measured {
            text.push_str(&format!("Not measured from {} to {}.\n", hz(*f), hz(*t)));
        }
        text.push_str(&advice_text(&check));
        text.push_str(&format!(
            "\nCaution: {}\n",
            earth_a.map_or_else(|| print::MAINS_CAUTION.to_owned(), earth_caution)
        ));
        print::text(&text)?;
    }
    Ok(if check.inside() { Outcome::Done } else { Outcome::NotAPass })
}

/// Kept here so that the server says the same as the command line.
pub(crate) fn work_error(e: &RemedyError) -> WorkError {
    WorkError::Input { place: "remedy".into(), what: e.to_string(), expected: "values that make sense together".into() }
}
