//! `.model` cards: D, SW, VARISTOR, CLAMP, TABLE.

use num_complex::Complex64;

use super::lines::Token;
use super::scope::{Reader, Scope};
use super::sources;
use crate::error::NetlistError;
use crate::models::{ClampModel, DiodeModel, VaristorModel};
use crate::number::Unit;
use crate::table::Table;

pub(super) enum Model {
    Diode(DiodeModel),
    Varistor(VaristorModel),
    Clamp(ClampModel),
    Table(Table),
    Switch { on_ohm: f64, off_ohm: f64, threshold_v: f64, hysteresis_v: f64 },
}

/// Finds and reads the model that a card names.
pub(super) fn find(r: &mut Reader<'_, '_>, name: &str) -> Result<Model, NetlistError> {
    let Some(card) = r.scope.model(name) else {
        return Err(r.error(format!("there is no model `{name}`"), "`.model` with that name"));
    };
    let mut m = Reader::new(card, r.scope);
    m.at = 2;
    let kind = m.word("the model's type")?;
    if kind == "table" {
        let v = sources::list(&mut m, "table")?;
        m.end("TABLE(frequency ohm degrees …)")?;
        if v.is_empty() || v.len() % 3 != 0 {
            return Err(m.error(format!("TABLE has {} numbers", v.len()), "TABLE(frequency ohm degrees …)"));
        }
        let table = Table {
            frequency_hz: v.chunks_exact(3).map(|c| c[0]).collect(),
            impedance_ohm: v.chunks_exact(3).map(|c| Complex64::from_polar(c[1], c[2].to_radians())).collect(),
        };
        if let Some(what) = table.fault() {
            return Err(m.error(what, "rising frequencies with impedances"));
        }
        return Ok(Model::Table(table));
    }
    let enclosed = m.peek() == Some(&Token::Open);
    if enclosed {
        m.at += 1;
    }
    let mut settings = Vec::new();
    while let Some((name, token)) = m.setting()? {
        let value = number(m.scope, &token).map_err(|what| m.error(what, format!("a number for `{name}`")))?;
        settings.push((name, value));
    }
    if enclosed {
        if m.peek() != Some(&Token::Close) {
            return Err(match m.peek_word() {
                Some(w) => m.error(format!("`{w}` is not understood here"), "name=value"),
                None => m.error("the parenthesis is not closed", "`)`"),
            });
        }
        m.at += 1;
    }
    m.end("name=value …")?;
    let model = match kind.as_str() {
        "d" => diode(&m, &settings)?,
        "sw" => {
            let (mut on_ohm, mut off_ohm, mut threshold_v, mut hysteresis_v) = (1.0, 1e12, 0.0, 0.0);
            for (name, v) in &settings {
                match name.as_str() {
                    "ron" => on_ohm = *v,
                    "roff" => off_ohm = *v,
                    "vt" => threshold_v = *v,
                    "vh" => hysteresis_v = *v,
                    _ => return Err(unknown(&m, name, "SW with ron, roff, vt, vh")),
                }
            }
            Model::Switch { on_ohm, off_ohm, threshold_v, hysteresis_v }
        }
        "varistor" => {
            let mut model = VaristorModel::new(f64::NAN, f64::NAN);
            for (name, v) in &settings {
                match name.as_str() {
                    "c" => model.c_v = *v,
                    "beta" => model.beta = *v,
                    "alpha" => model.beta = 1.0 / v,
                    "rs" => model.series_ohm = *v,
                    "ls" => model.series_h = *v,
                    "cp" => model.parallel_f = *v,
                    _ => return Err(unknown(&m, name, "VARISTOR with c, beta (or alpha), rs, ls, cp")),
                }
            }
            if model.c_v.is_nan() || model.beta.is_nan() {
                return Err(m.error("a varistor needs c and beta", "VARISTOR(c=volts-at-1-A beta=exponent)"));
            }
            Model::Varistor(model)
        }
        "clamp" => {
            let Some((_, vbr)) = settings.iter().find(|(n, _)| n == "vbr") else {
                return Err(m.error("a clamp needs vbr", "CLAMP(vbr=volts rd=ohms …)"));
            };
            let mut model = ClampModel::new(*vbr, 0.0);
            for (name, v) in &settings {
                match name.as_str() {
                    "vbr" => {}
                    "it" => model.test_a = *v,
                    "rd" => model.dynamic_ohm = *v,
                    "vk" => model.knee_v = *v,
                    "cj" => model.parallel_f = *v,
                    "bi" => model.bidirectional = *v != 0.0,
                    _ => return Err(unknown(&m, name, "CLAMP with vbr, it, rd, vk, cj, bi")),
                }
            }
            Model::Clamp(model)
        }
        _ => {
            return Err(m.error(format!("`{kind}` is no type of model known here"), "D, SW, VARISTOR, CLAMP or TABLE"));
        }
    };
    let notes = std::mem::take(&mut m.notes);
    r.notes.extend(notes);
    Ok(model)
}

fn number(scope: &Scope<'_>, token: &Token) -> Result<f64, String> {
    scope.number(token, Unit::None).map(|n| n.0)
}

fn unknown(m: &Reader<'_, '_>, name: &str, expected: &str) -> NetlistError {
    m.error(format!("the setting `{name}` is not understood"), expected)
}

fn diode(m: &Reader<'_, '_>, settings: &[(String, f64)]) -> Result<Model, NetlistError> {
    let mut d = DiodeModel::default();
    for (name, v) in settings {
        match name.as_str() {
            "is" | "js" => d.saturation_a = *v,
            "n" => d.emission = *v,
            "rs" => d.series_ohm = *v,
            "cjo" | "cj0" | "cj" => d.junction_f = *v,
            "vj" | "pb" => d.potential_v = *v,
            "m" | "mj" => d.grading = *v,
            "fc" => d.forward_corner = *v,
            "tt" => d.transit_s = *v,
            "bv" => d.breakdown_v = Some(*v),
            "ibv" => d.breakdown_a = *v,
            // Noise, and what acts only away from the temperature of the model: nothing here depends on them.
            "kf" | "af" | "eg" | "xti" => {}
            "level" if *v == 1.0 => {}
            "tnom" if *v == 27.0 => {}
            _ => return Err(unknown(m, name, "D with is, n, rs, cjo, vj, m, fc, tt, bv, ibv (at 27 °C)")),
        }
    }
    Ok(Model::Diode(d))
}
