use std::path::{Path, PathBuf};

use emission::angles::{AngleOptions, Angles, Position, angles as together, beam};
use emission::distance::Polarisation;
use emission::{JudgeOptions, Trace};
use formats::trace_file::write_trace;
use serde_json::{Value, json};
use standards::{Limit, UpperFrequency};
use workbench::survey::angles_of_runs;

use super::{AnglesArgs, at_the_product, chain_of};
use crate::choices;
use crate::outcome::{Failure, Outcome};
use crate::print::{self, Show, db, hz};
use crate::progress::Bar;

/// The position of `FILE@AZIMUTH,HEIGHT,POLARISATION`.
fn placed(path: &Path) -> Result<(PathBuf, Position), Failure> {
    let text = path.to_string_lossy();
    let fault = |what: &str| {
        Failure::input(format!(
            "{text}: {what}; expected FILE@AZIMUTH,HEIGHT,POLARISATION, e.g. a.csv@45,1.5,v (parts may be empty), or one project folder"
        ))
    };
    let Some((file, place)) = text.rsplit_once('@') else { return Err(fault("no position")) };
    let mut parts = place.split(',').map(str::trim);
    let mut number = |what: &str| match parts.next().unwrap_or_default() {
        "" => Ok(None),
        t => t.parse::<f64>().ok().filter(|v| v.is_finite()).map(Some).ok_or_else(|| fault(&format!("{what} `{t}`"))),
    };
    let (azimuth_deg, height_m) = (number("azimuth")?, number("height")?);
    let polarisation = match parts.next().unwrap_or_default().to_ascii_lowercase().as_str() {
        "" => None,
        "h" | "horizontal" => Some(Polarisation::Horizontal),
        "v" | "vertical" => Some(Polarisation::Vertical),
        other => return Err(fault(&format!("polarisation `{other}`"))),
    };
    Ok((PathBuf::from(file), Position { azimuth_deg, height_m, polarisation }))
}

/// How far up has to be measured, for each rule the limits follow.
fn upper(limit_ids: &[String], internal_hz: f64, top_hz: f64) -> Vec<Value> {
    let mut rules: Vec<&UpperFrequency> = Vec::new();
    for id in limit_ids {
        let rule = UpperFrequency::of(id);
        if rules.iter().all(|r| r.id != rule.id) {
            rules.push(rule);
        }
    }
    rules
        .into_iter()
        .map(|r| {
            let to = r.measure_to_hz(internal_hz);
            json!({
                "rule": r.title, "source": r.source, "known": r.known, "internal_hz": internal_hz, "measure_to_hz": to,
                "measured_to_hz": top_hz, "reached": top_hz >= to * 0.999,
            })
        })
        .collect()
}

/// `hushfield angles`.
pub(crate) fn angles(show: Show, a: &AnglesArgs) -> Result<Outcome, Failure> {
    if let Some(size) = a.size.filter(|s| !(s.is_finite() && *s > 0.0)) {
        return Err(Failure::input(format!("--size {size}: expected metres, above zero")));
    }
    let options = AngleOptions {
        radius_m: match (a.size, a.paths.as_slice()) {
            (Some(size), _) => Some(0.5 * size),
            (None, [dir]) if dir.is_dir() => workbench::housing_radius_m(dir)?,
            _ => None,
        },
        tolerance_db: a.tolerance,
        judging: JudgeOptions { within_db: a.within, max_suspects: 40, ..choices::judging(&a.judging)? },
    };
    let (names, positions, result, size, internal) = if let [dir] = a.paths.as_slice()
        && dir.is_dir()
    {
        let mut bar = Bar::new(show.quiet);
        let found = angles_of_runs(dir, &a.runs.filter(), &a.limits.limits, &options, &mut |s| bar.tell(s))?;
        (found.runs, found.positions, found.angles, found.size_m, a.internal.or(found.internal_hz))
    } else {
        let limits = a.limits.for_files()?;
        let chain = chain_of(a.chain.as_ref())?;
        let mut sweeps: Vec<(Position, Trace)> = Vec::new();
        let mut names = Vec::new();
        for path in &a.paths {
            let (file, position) = placed(path)?;
            sweeps.push((position, at_the_product(&file, &a.sweep, chain.as_ref())?));
            names.push(file.display().to_string());
        }
        let refs: Vec<(Position, &Trace)> = sweeps.iter().map(|(p, t)| (*p, t)).collect();
        let result = together(&refs, &limits.iter().collect::<Vec<&Limit>>(), &options)
            .map_err(|e| Failure::input(e.to_string()))?;
        (names, sweeps.iter().map(|s| s.0).collect(), result, a.size, a.internal)
    };
    if let Some(out) = &a.out {
        write_trace(out, &result.held.trace, None).map_err(|e| Failure::input(e.to_string()))?;
    }
    let top_hz = result.held.trace.range_hz().map_or(0.0, |r| r.1);
    let limit_ids: Vec<String> = result.verdict.limits.iter().map(|l| l.limit_id.clone()).collect();
    let upper = internal.map_or_else(Vec::new, |i| upper(&limit_ids, i, top_hz));
    let seen = match (a.distance, a.beam_width, size) {
        (Some(d), Some(w), Some(s)) => beam(d, w, s),
        _ => None,
    };
    let outcome = Outcome::of(result.verdict.decision);
    if show.json {
        print::json(&json!({
            "sweeps": names.iter().zip(&positions).map(|(n, p)| json!({ "sweep": n, "position": p })).collect::<Vec<_>>(),
            "angles": result, "upper": upper, "beam": seen,
        }))?;
        return Ok(outcome);
    }
    print::text(&words(&names, &positions, &result, &upper, seen.as_ref()))?;
    Ok(outcome)
}

fn words(
    names: &[String],
    positions: &[Position],
    result: &Angles,
    upper: &[Value],
    seen: Option<&emission::angles::Beam>,
) -> String {
    let mut text = format!("Highest of {} sweeps: {}\n\n", names.len(), result.verdict.sentence);
    let rows = result
        .suspects
        .iter()
        .map(|s| {
            let spread = s
                .patterns
                .iter()
                .find(|p| p.polarisation == s.worst_position.polarisation && p.height_m == s.worst_position.height_m)
                .map_or(f64::NAN, |p| p.spread_db);
            let (gap, needed, hidden) = s.sampling.as_ref().map_or_else(
                || ("–".to_owned(), "–".to_owned(), "–".to_owned()),
                |x| {
                    (
                        format!("{:.0}°{}", x.widest_gap_deg, if x.too_coarse { " !" } else { "" }),
                        format!("{:.1}°", x.step_needed_deg),
                        x.shortfall
                            .as_ref()
                            .map_or_else(|| "–".to_owned(), |h| format!("{:.1} / {:.1}", h.median_db, h.most_db)),
                    )
                },
            );
            vec![
                hz(s.frequency_hz),
                db(s.level_db),
                format!("{:+.1}", s.margin_db),
                s.worst_position.words(),
                db(spread),
                gap,
                needed,
                hidden,
            ]
        })
        .collect();
    text.push_str(&print::table(
        &["frequency", "level", "margin, dB", "worst at", "turn, dB", "step", "needed", "missed, dB (median / 95 %)"],
        rows,
        &[0, 1, 2, 4, 5, 6],
    ));
    for s in &result.suspects {
        for p in &s.patterns {
            if let Some(i) = p.interpolated.as_ref().filter(|i| i.above_samples_db > 0.3) {
                text.push_str(&format!(
                    "{}: between the angles the pattern goes {:.1} dB higher, at {:.0}° ({}); as good as the readings are.\n",
                    hz(s.frequency_hz),
                    i.above_samples_db,
                    i.azimuth_deg,
                    p.polarisation.map_or("polarisation not said", Polarisation::name)
                ));
            }
        }
    }
    let places: Vec<String> =
        result.repeat.chosen.iter().map(|&i| format!("{} ({})", positions[i].words(), names[i])).collect();
    if !places.is_empty() {
        text.push_str(&format!(
            "\nTo measure every suspect again within {:.1} dB of its maximum, {}{}: {}\n",
            AngleOptions::default().tolerance_db,
            if places.len() == 1 { "one position".to_owned() } else { format!("{} positions", places.len()) },
            if result.repeat.shortest { ", no fewer suffice" } else { " (found by search, perhaps not the fewest)" },
            places.join("; ")
        ));
    }
    for u in upper {
        text.push_str(&format!(
            "{}: with {} inside, measured up to {}; {} ({}, {}).\n",
            u["rule"].as_str().unwrap_or_default(),
            hz(u["internal_hz"].as_f64().unwrap_or_default()),
            hz(u["measure_to_hz"].as_f64().unwrap_or_default()),
            if u["reached"] == json!(true) {
                "the sweeps reach that".to_owned()
            } else {
                format!("the sweeps end at {}", hz(u["measured_to_hz"].as_f64().unwrap_or_default()))
            },
            u["source"].as_str().unwrap_or_default(),
            if u["known"] == json!("memory") { "from memory: check it" } else { "seen" }
        ));
    }
    if let Some(b) = seen {
        text.push_str(&format!(
            "The antenna's beam is {:.2} m wide at the product: {} (2·d·tan(θ/2), CISPR 16-2-3, from memory).\n",
            b.width_m,
            if b.holds_product {
                "it holds all of it".to_owned()
            } else {
                format!("{} positions side by side are needed, or a height scan", b.positions_needed)
            }
        ));
    }
    for n in result.notes.iter().chain(&result.verdict.notes) {
        text.push_str(&format!("Note: {n}\n"));
    }
    text
}
