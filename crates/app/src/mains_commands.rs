//! Commands on recordings of the mains.

use std::path::{Path, PathBuf};

use clap::{Args, ValueEnum};
use formats::capture::CaptureChoices;
use mains::harmonics::{
    Class, ClassAnswer, ClassQuestion, DecidingRule, Edition, Exemption, HarmonicVerdict, LargeProduct, Product,
    classify,
};
use mains::record::Mains;
use mains::supply::SupplyShares;
use workbench::mains_quality::{HarmonicRules, HarmonicsResult, MainsChoices, measure_harmonics};
use workbench::mains_run::{FlickerChoices, MainsJob, MainsRunRequest, PROBING_CAUTION, add_mains_run, evaluate_mains};

use crate::outcome::{Failure, Outcome};
use crate::print::{self, Show};
use crate::progress::Bar;

/// Nominal frequency of the mains, Hz.
pub(crate) fn mains(text: &str) -> Result<Mains, String> {
    match text.trim() {
        "50" => Ok(Mains::Hz50),
        "60" => Ok(Mains::Hz60),
        _ => Err(format!("`{text}`: expected 50 or 60")),
    }
}

/// How a recording of the mains is read.
#[derive(Debug, Clone, Args)]
pub(crate) struct MainsFlags {
    /// Nominal frequency of the mains, Hz: 50 or 60
    #[arg(long, value_parser = mains)]
    pub(crate) mains: Mains,
    /// Sampling rate, Hz, where the file does not hold it or holds it wrong
    #[arg(long)]
    pub(crate) rate: Option<f64>,
    /// Column (or channel) of the voltage, by name or number counted from 1
    #[arg(long, value_name = "COL")]
    pub(crate) voltage: Option<String>,
    /// Column (or channel) of the current, by name or number counted from 1
    #[arg(long, value_name = "COL")]
    pub(crate) current: Option<String>,
    /// Volts for one unit of the voltage column; negative turns it round
    #[arg(long, value_name = "V", allow_negative_numbers = true)]
    pub(crate) voltage_scale: Option<f64>,
    /// Amperes for one unit of the current column; negative turns it round
    #[arg(long, value_name = "A", allow_negative_numbers = true)]
    pub(crate) current_scale: Option<f64>,
    /// Time by which the current channel is late against the voltage channel, s
    #[arg(long, default_value_t = 0.0, allow_negative_numbers = true)]
    pub(crate) current_late: f64,
    /// Leave out this much at the start, s (10 s after switching on may be ignored)
    #[arg(long, default_value_t = 0.0)]
    pub(crate) ignore_first: f64,
    /// Rated voltage, V [default: the nominal voltage nearest to the recording]
    #[arg(long)]
    pub(crate) rated_voltage: Option<f64>,
}

impl MainsFlags {
    pub(crate) fn choices(&self) -> Result<MainsChoices, Failure> {
        for (flag, value) in [("rate", self.rate), ("rated-voltage", self.rated_voltage)] {
            if let Some(v) = value.filter(|v| !(v.is_finite() && *v > 0.0)) {
                return Err(Failure::input(format!("--{flag} {v}: expected a number above zero")));
            }
        }
        for (flag, value) in [("voltage-scale", self.voltage_scale), ("current-scale", self.current_scale)] {
            if let Some(v) = value.filter(|v| !v.is_finite() || *v == 0.0) {
                return Err(Failure::input(format!("--{flag} {v}: expected a number other than zero")));
            }
        }
        Ok(MainsChoices {
            capture: CaptureChoices { rate_hz: self.rate, ..CaptureChoices::default() },
            voltage: self.voltage.clone(),
            current: self.current.clone(),
            volts_per_unit: self.voltage_scale,
            amperes_per_unit: self.current_scale,
            current_late_s: self.current_late,
            ignore_first_s: self.ignore_first,
            rated_v: self.rated_voltage,
            ..MainsChoices::new(self.mains)
        })
    }
}

#[derive(Debug, Clone, Copy, PartialEq, Eq, ValueEnum)]
#[value(rename_all = "verbatim")]
pub(crate) enum ClassFlag {
    A,
    B,
    C,
    D,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq, ValueEnum)]
pub(crate) enum EditionFlag {
    /// IEC 61000-3-2:2018 with its amendment of 2020
    #[value(name = "2020")]
    Amended,
    /// IEC 61000-3-2:2018
    #[value(name = "2018")]
    Plain,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq, ValueEnum)]
pub(crate) enum ExemptionFlag {
    /// Professional equipment of more than 1 kW
    Professional,
    /// Symmetrically controlled heating up to 200 W
    Heating,
    /// An independent phase-control dimmer up to 1 kW
    Dimmer,
}

/// What the product is held against.
#[derive(Debug, Clone, Args)]
pub(crate) struct RuleFlags {
    /// Class of IEC 61000-3-2; `hushfield harmonics-class` asks the questions that lead to it
    #[arg(long, value_enum, ignore_case = true, required_unless_present = "short_circuit_ratio")]
    pub(crate) class: Option<ClassFlag>,
    /// Power the maker specifies, W
    #[arg(long)]
    pub(crate) power: Option<f64>,
    /// Fundamental current the maker specifies, A (class C), or reference current (with --short-circuit-ratio)
    #[arg(long, value_name = "A")]
    pub(crate) specified_current: Option<f64>,
    /// Which text of IEC 61000-3-2
    #[arg(long, value_enum, default_value = "2020")]
    pub(crate) edition: EditionFlag,
    /// A reason why no limits apply
    #[arg(long, value_enum)]
    pub(crate) exemption: Option<ExemptionFlag>,
    /// Judge by IEC 61000-3-12 (above 16 A) at this short-circuit ratio, 33 or more
    #[arg(long, value_name = "RATIO", conflicts_with_all = ["class", "power", "exemption"])]
    pub(crate) short_circuit_ratio: Option<f64>,
    /// Balanced three-phase equipment (with --short-circuit-ratio)
    #[arg(long, requires = "short_circuit_ratio")]
    pub(crate) balanced: bool,
    /// One of the conditions of Table 4 is met (with --balanced)
    #[arg(long, requires = "balanced")]
    pub(crate) table_4: bool,
}

impl RuleFlags {
    pub(crate) fn rules(&self) -> Result<HarmonicRules, Failure> {
        for (flag, value) in [("power", self.power), ("specified-current", self.specified_current)] {
            if let Some(v) = value.filter(|v| !(v.is_finite() && *v > 0.0)) {
                return Err(Failure::input(format!("--{flag} {v}: expected a number above zero")));
            }
        }
        if let Some(short_circuit_ratio) = self.short_circuit_ratio {
            return Ok(HarmonicRules::Large(LargeProduct {
                short_circuit_ratio,
                balanced: self.balanced,
                table_4: self.table_4,
                reference_a: self.specified_current,
            }));
        }
        let class = match self.class {
            Some(ClassFlag::A) => Class::A,
            Some(ClassFlag::B) => Class::B,
            Some(ClassFlag::C) => Class::C,
            Some(ClassFlag::D) => Class::D,
            None => return Err(Failure::input("--class is missing: expected A, B, C or D")),
        };
        Ok(HarmonicRules::Product(Product {
            class,
            power_w: self.power,
            fundamental_a: self.specified_current,
            edition: match self.edition {
                EditionFlag::Amended => Edition::Amended2020,
                EditionFlag::Plain => Edition::Plain2018,
            },
            exemption: self.exemption.map(|e| match e {
                ExemptionFlag::Professional => Exemption::Professional,
                ExemptionFlag::Heating => Exemption::Heating,
                ExemptionFlag::Dimmer => Exemption::Dimmer,
            }),
        }))
    }
}

#[derive(Debug, Args)]
pub(crate) struct Harmonics {
    /// The record of current, or of voltage and current: .npy, .wav, SigMF or .csv
    pub(crate) record: PathBuf,
    #[command(flatten)]
    pub(crate) mains: MainsFlags,
    #[command(flatten)]
    pub(crate) rules: RuleFlags,
}

pub(crate) fn file_name(path: &Path) -> String {
    path.file_name().map_or_else(|| path.display().to_string(), |n| n.to_string_lossy().into_owned())
}

pub(crate) fn harmonics(show: Show, a: &Harmonics) -> Result<Outcome, Failure> {
    let choices = a.mains.choices()?;
    let rules = a.rules.rules()?;
    let mut bar = Bar::new(show.quiet);
    let result = measure_harmonics(&a.record, &file_name(&a.record), &choices, &rules, &mut |s| bar.tell(s))?;
    drop(bar);
    if show.json {
        print::json(&result)?;
    } else {
        print::text(&harmonics_text(&result))?;
    }
    Ok(outcome_of(result.judgement.verdict))
}

pub(crate) fn outcome_of(verdict: HarmonicVerdict) -> Outcome {
    match verdict {
        HarmonicVerdict::Pass | HarmonicVerdict::NoLimits => Outcome::Done,
        HarmonicVerdict::Fail | HarmonicVerdict::Unreliable => Outcome::NotAPass,
    }
}

/// The result as sentences and a table.
pub(crate) fn harmonics_text(r: &HarmonicsResult) -> String {
    let j = &r.judgement;
    let mut text = String::new();
    for note in &r.notes {
        text.push_str(&format!("· {note}\n"));
    }
    text.push_str(&format!(
        "· {} windows of {:.4} s without gaps, {:.1} s of {:.1} s; mains {:.4} Hz ({:.4} to {:.4})\n",
        r.windows,
        r.observed_s / r.windows as f64,
        r.observed_s,
        r.record_s,
        r.fundamental_hz,
        r.frequency_range_hz[0],
        r.frequency_range_hz[1]
    ));
    text.push_str(&format!("· between samples no order is off by more than {:.4} %\n", r.interpolation_error_percent));
    let amperes = |x: f64| format!("{x:.4}");
    let rows = j
        .orders
        .iter()
        .filter(|o| o.order == 1 || o.limit_a.is_some() || o.average_a >= j.smallest_considered_a)
        .map(|o| {
            let percent = |p: Option<f64>| p.map_or("–".into(), |p| format!("{p:.1}"));
            vec![
                o.order.to_string(),
                amperes(o.average_a),
                amperes(o.maximum_a),
                o.limit_a.map_or("–".into(), amperes),
                percent(o.percent_of_limit),
                percent(o.maximum_percent_of_limit),
                if o.rule == DecidingRule::NoLimit {
                    ""
                } else if o.pass {
                    "pass"
                } else {
                    "FAIL"
                }
                .into(),
                o.rule.words().into(),
            ]
        })
        .collect();
    let heads = ["order", "average A", "highest A", "limit A", "% of it", "highest %", "", "decided by"];
    text.push('\n');
    text.push_str(&print::table(&heads, rows, &[0, 1, 2, 3, 4, 5]));
    text.push_str(&format!(
        "\nInput current {:.4} A, fundamental {:.4} A, distortion {:.4} A ({:.2} % of the fundamental), odd orders from 21 {:.4} A{}\n",
        j.input_current_a,
        j.fundamental_a,
        j.thc_a,
        j.thd_percent,
        j.pohc_a,
        j.pohc_limit_a.map_or(String::new(), |l| format!(" (limit of the sum {l:.4} A)"))
    ));
    if let (Some(p), Some(pf)) = (j.power_w, j.power_factor) {
        text.push_str(&format!("Power {p:.2} W, power factor {pf:.4}\n"));
    }
    if let Some(basis) = &j.limit_basis {
        text.push_str(&format!("Limits from: {basis}\n"));
    }
    text.push_str(&format!("Currents below {:.4} A are not considered\n", j.smallest_considered_a));
    for o in &j.options {
        text.push_str(&format!("{} {}: {}\n", if o.pass { "met    " } else { "not met" }, o.name, o.sentence));
    }
    if let Some(ratio) = &j.ratio {
        text.push_str(&format!(
            "Of {:.3} A: total harmonic current {:.2} % ({:.2} % allowed), partial weighted {:.2} % ({:.2} % allowed)\n",
            ratio.reference_a,
            ratio.thc_percent,
            ratio.thc_limit_percent,
            ratio.pwhc_percent,
            ratio.pwhc_limit_percent
        ));
    }
    if let Some(s) = &r.supply {
        text.push_str(&format!(
            "\nSupply {:.2} V, distortion {:.2} %, crest factor {:.3} at {:.1}°: {}\n",
            s.voltage_v,
            s.thd_percent,
            s.crest_factor,
            s.peak_at_deg,
            if s.suitable { "as the standard asks of a test source" } else { "not a test source" }
        ));
    }
    if let Some(share) = &r.supply_share {
        text.push_str(&share_sentence(share));
    }
    if !j.findings.is_empty() {
        text.push('\n');
    }
    for f in &j.findings {
        text.push_str(&format!("{} {}\n", if f.spoils_result { "✗" } else { "!" }, f.text));
    }
    let known = if j.known == standards::Known::Memory { ", from memory: check the bought standard" } else { "" };
    text.push_str(&format!("\n{}\n{}, class {}{known}\n", j.sentence, j.standard, j.class));
    text.push_str(&format!("\nCaution, mains voltage: {PROBING_CAUTION}\n"));
    text
}

/// What the supply's own distortion does, in a sentence.
pub(crate) fn share_sentence(share: &SupplyShares) -> String {
    if share.explained_percent.abs() < 1.0 {
        "Estimated: the supply's own distortion explains less than 1 % of the power of the distortion current\n"
            .to_owned()
    } else if share.explained_percent < 0.0 {
        format!(
            "Estimated: on a sinusoidal supply the distortion current would be higher, {:.4} A instead of {:.4} A\n",
            share.remaining_a, share.distortion_a
        )
    } else {
        format!(
            "Estimated: the supply's own distortion explains {:.1} % of the power of the distortion current ({:.4} A of {:.4} A would remain)\n",
            share.explained_percent, share.remaining_a, share.distortion_a
        )
    }
}

#[derive(Debug, Args)]
pub(crate) struct HarmonicsClass {
    /// Answers so far, such as above16_a=no; the next open question is asked
    #[arg(value_name = "QUESTION=yes|no")]
    pub(crate) answers: Vec<String>,
}

pub(crate) fn harmonics_class(show: Show, a: &HarmonicsClass) -> Result<Outcome, Failure> {
    let mut answers: Vec<(ClassQuestion, bool)> = Vec::new();
    for text in &a.answers {
        let (key, value) = text.split_once('=').unwrap_or((text, ""));
        let question = serde_json::from_value(serde_json::Value::String(key.trim().to_owned()))
            .map_err(|e| Failure::input(format!("`{key}`: {e}")))?;
        let yes = match value.trim().to_ascii_lowercase().as_str() {
            "yes" | "y" => true,
            "no" | "n" => false,
            _ => return Err(Failure::input(format!("`{text}`: expected {key}=yes or {key}=no"))),
        };
        answers.push((question, yes));
    }
    let answer = classify(&answers);
    if show.json {
        print::json(&answer)?;
        return Ok(Outcome::Done);
    }
    let text = match answer {
        ClassAnswer::Ask { question } => {
            let key = serde_json::to_value(question).map_err(|e| Failure::ours(e.to_string()))?;
            format!(
                "{}\nAnswer with: {}=yes or {}=no\n",
                question.words(),
                key.as_str().unwrap_or(""),
                key.as_str().unwrap_or("")
            )
        }
        ClassAnswer::Class { class, exemption } => format!(
            "Class {class:?}.{}\n",
            if exemption.is_some() { " An exemption may hold: see --exemption." } else { "" }
        ),
        ClassAnswer::Large => "Above 16 A: IEC 61000-3-12, with --short-circuit-ratio.\n".into(),
    };
    print::text(&text)?;
    Ok(Outcome::Done)
}

#[derive(Debug, Clone, Copy, PartialEq, Eq, ValueEnum)]
pub(crate) enum FlickerLampFlag {
    /// 60 W lamp at 230 V
    #[value(name = "230")]
    V230,
    /// 60 W lamp at 120 V
    #[value(name = "120")]
    V120,
}

#[derive(Debug, Args)]
pub(crate) struct MainsRun {
    /// The project's folder
    pub(crate) dir: PathBuf,
    /// The record of current, or of voltage and current; it is kept byte for byte
    pub(crate) file: PathBuf,
    #[command(flatten)]
    pub(crate) mains: MainsFlags,
    #[command(flatten)]
    pub(crate) rules: RuleFlags,
    /// Assess flicker and voltage change too, with the weighting of this lamp
    #[arg(long, value_enum)]
    pub(crate) lamp: Option<FlickerLampFlag>,
    /// Flicker from the current on the reference impedance instead of the recorded voltage
    #[arg(long, requires = "lamp")]
    pub(crate) flicker_from_current: bool,
    /// Kind of equipment for the flicker limits: plain, switched or attended
    #[arg(long, default_value = "plain")]
    pub(crate) equipment_kind: String,
    /// Title of the run
    #[arg(long)]
    pub(crate) title: Option<String>,
    /// Port of the product, by its id [default: the mains port]
    #[arg(long)]
    pub(crate) port: Option<String>,
    /// Sample, by its id in the ledger
    #[arg(long)]
    pub(crate) sample: Option<String>,
    /// Modification state, by its id in the ledger
    #[arg(long)]
    pub(crate) state: Option<String>,
    /// Operating mode
    #[arg(long)]
    pub(crate) mode: Option<String>,
    /// Set-up in words
    #[arg(long)]
    pub(crate) set_up: Option<String>,
    /// Equipment used, by its id in the ledger
    #[arg(long, value_delimiter = ',')]
    pub(crate) equipment: Vec<String>,
}

pub(crate) fn mains_run(show: Show, a: &MainsRun) -> Result<Outcome, Failure> {
    let request = MainsRunRequest {
        title: a.title.clone().unwrap_or_default(),
        port: a.port.clone(),
        sample: a.sample.clone(),
        state: a.state.clone(),
        mode: a.mode.clone(),
        set_up: a.set_up.clone().unwrap_or_default(),
        equipment: a.equipment.clone(),
        notes: String::new(),
        measured_at: None,
        job: MainsJob {
            reading: a.mains.choices()?,
            harmonics: Some(a.rules.rules()?),
            flicker: a.lamp.map(|lamp| FlickerChoices {
                lamp: match lamp {
                    FlickerLampFlag::V230 => mains::flicker::Lamp::V230,
                    FlickerLampFlag::V120 => mains::flicker::Lamp::V120,
                },
                equipment: a.equipment_kind.clone(),
                from_current: a.flicker_from_current,
            }),
        },
    };
    let mut bar = Bar::new(show.quiet);
    let id = add_mains_run(&a.dir, &a.file, &file_name(&a.file), &request, &mut |s| bar.tell(s))?;
    drop(bar);
    mains_run_shown(show, &a.dir, &id)
}

/// A mains run in full, computed again from its raw file.
pub(crate) fn mains_run_shown(show: Show, dir: &Path, id: &str) -> Result<Outcome, Failure> {
    let mut bar = Bar::new(show.quiet);
    let e = evaluate_mains(dir, id, &mut |s| bar.tell(s))?;
    drop(bar);
    let harmonics = e.results.harmonics.as_ref();
    let flicker = e.results.flicker.as_ref();
    if show.json {
        print::json(&serde_json::json!({
            "run": id, "title": e.run.record.title, "harmonics": harmonics, "flicker": flicker,
        }))?;
    } else {
        let mut text = format!("Run {id}: {}\n", e.run.record.title);
        if let Some(h) = harmonics {
            text.push_str(&harmonics_text(h));
        }
        if let Some(f) = flicker {
            text.push_str(&format!("\nFlicker and voltage change: {}\n", f.verdict.sentence));
        }
        print::text(&text)?;
    }
    let passes = harmonics.is_none_or(|h| outcome_of(h.judgement.verdict) == Outcome::Done)
        && flicker.is_none_or(|f| f.verdict.passes && f.verdict.complete);
    Ok(if passes { Outcome::Done } else { Outcome::NotAPass })
}
