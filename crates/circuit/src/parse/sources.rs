//! Independent sources: DC, AC, and courses over time.

use super::lines::Token;
use super::scope::Reader;
use crate::error::NetlistError;
use crate::number::Unit;
use crate::waveform::{Source, Waveform};

const EXPECTED: &str = "[DC value] [AC magnitude [phase]] [SIN(…), PULSE(…), EXP(…) or PWL(…)]";

/// Reads what stands behind the nodes of a V or I card.
pub(super) fn read(r: &mut Reader<'_, '_>, unit: Unit) -> Result<Source, NetlistError> {
    let mut dc = None;
    let mut ac = None;
    let mut wave: Option<Waveform> = None;
    while r.peek().is_some() {
        if r.at_value() && dc.is_none() {
            dc = Some(r.value(unit, "the source's value")?);
            continue;
        }
        let Some(word) = r.peek_word() else { break };
        match word.as_str() {
            "dc" if dc.is_none() => {
                r.at += 1;
                if r.peek() == Some(&Token::Equals) {
                    r.at += 1;
                }
                dc = Some(r.value(unit, "the DC value")?);
            }
            "ac" if ac.is_none() => {
                r.at += 1;
                if r.peek() == Some(&Token::Equals) {
                    r.at += 1;
                }
                let magnitude = if r.at_value() { r.value(unit, "the AC magnitude")? } else { 1.0 };
                let phase = if r.at_value() { r.value(Unit::Degree, "the AC phase in degrees")? } else { 0.0 };
                ac = Some((magnitude, phase));
            }
            "sin" | "sine" | "pulse" | "exp" | "pwl" if wave.is_none() => {
                r.at += 1;
                let values = list(r, &word)?;
                wave = Some(course(r, &word, &values)?);
            }
            _ => break,
        }
    }
    r.end(EXPECTED)?;
    if dc.is_none() && ac.is_none() && wave.is_none() {
        return Err(r.error("the source has no value", EXPECTED));
    }
    let (ac_magnitude, ac_phase_deg) = ac.unwrap_or((0.0, 0.0));
    Ok(match wave {
        Some(waveform) => Source { waveform, dc, ac_magnitude, ac_phase_deg },
        None => Source { waveform: Waveform::Dc(dc.unwrap_or(0.0)), dc: None, ac_magnitude, ac_phase_deg },
    })
}

/// Numbers behind a word, with or without parentheses.
pub(super) fn list(r: &mut Reader<'_, '_>, word: &str) -> Result<Vec<f64>, NetlistError> {
    let enclosed = r.peek() == Some(&Token::Open);
    if enclosed {
        r.at += 1;
    }
    let mut values = Vec::new();
    loop {
        match r.peek() {
            Some(Token::Close) if enclosed => {
                r.at += 1;
                return Ok(values);
            }
            None if enclosed => return Err(r.error(format!("`{word}(` is not closed"), "`)`")),
            None => return Ok(values),
            Some(_) if !enclosed && !r.at_value() => return Ok(values),
            Some(_) if r.at_setting() => {
                let name = r.peek_word().unwrap_or_default();
                return Err(r.error(format!("`{name}=` is not understood in {}", word.to_uppercase()), "numbers only"));
            }
            Some(_) => values.push(r.value(Unit::None, &format!("a number of {}", word.to_uppercase()))?),
        }
    }
}

fn course(r: &Reader<'_, '_>, word: &str, v: &[f64]) -> Result<Waveform, NetlistError> {
    let count = |least: usize, most: usize, form: &str| {
        if (least..=most).contains(&v.len()) {
            Ok(())
        } else {
            Err(r.error(format!("{} has {} numbers", word.to_uppercase(), v.len()), form))
        }
    };
    let or = |i: usize, other: f64| v.get(i).copied().unwrap_or(other);
    let wave = match word {
        "sin" | "sine" => {
            count(3, 6, "SIN(offset amplitude frequency [delay damping phase])")?;
            Waveform::Sine {
                offset: v[0],
                amplitude: v[1],
                frequency_hz: v[2],
                delay_s: or(3, 0.0),
                damping_per_s: or(4, 0.0),
                phase_deg: or(5, 0.0),
            }
        }
        "pulse" => {
            count(2, 7, "PULSE(low high [delay rise fall width period])")?;
            // A width or period of zero or left out means: without end, as the syntax has it.
            let endless = |x: f64| if x == 0.0 { f64::INFINITY } else { x };
            Waveform::Pulse {
                low: v[0],
                high: v[1],
                delay_s: or(2, 0.0),
                rise_s: or(3, 0.0),
                fall_s: or(4, 0.0),
                width_s: endless(or(5, 0.0)),
                period_s: endless(or(6, 0.0)),
            }
        }
        "exp" => {
            count(6, 6, "EXP(from to rise-delay rise fall-delay fall)")?;
            Waveform::Exponential {
                from: v[0],
                to: v[1],
                rise_delay_s: v[2],
                rise_s: v[3],
                fall_delay_s: v[4],
                fall_s: v[5],
            }
        }
        _ => {
            if v.is_empty() || v.len() % 2 == 1 {
                return Err(r.error(format!("PWL has {} numbers", v.len()), "PWL(time value time value …)"));
            }
            Waveform::PiecewiseLinear { points: v.chunks_exact(2).map(|p| (p[0], p[1])).collect() }
        }
    };
    match wave.fault() {
        Some(what) => Err(r.error(what, "a course that can be followed")),
        None => Ok(wave),
    }
}
