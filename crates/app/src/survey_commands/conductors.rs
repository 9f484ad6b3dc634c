use std::path::{Path, PathBuf};

use cause::mode::bounds as two_conductors;
use emission::Trace;
use emission::conductors::{ModeBand, hold, mode_bands};
use formats::trace_file::write_trace;
use serde_json::{Value, json};
use workbench::ReadingChoices;
use workbench::survey::{ChannelDoubt, ConductorGroup, conductors_of_runs, measure_modes};

use super::{Conductors, at_the_product, chain_of};
use crate::args::Receive;
use crate::choices;
use crate::live_commands::{channel_path, write_time_structure};
use crate::outcome::{Failure, Outcome};
use crate::print::{self, MAINS_CAUTION, Show, db, hz};
use crate::progress::Bar;
use crate::trace_commands::{highest, trace_json, write_measured};

fn beside(out: &Path, key: &str) -> PathBuf {
    let stem = out.file_stem().map(|s| s.to_string_lossy().into_owned()).unwrap_or_default();
    let end = out.extension().map_or_else(String::new, |e| format!(".{}", e.to_string_lossy()));
    out.with_file_name(format!("{stem}.{key}{end}"))
}

/// `receive --modes`.
pub(crate) fn modes(show: Show, a: &Receive, reading: &ReadingChoices) -> Result<Outcome, Failure> {
    let channels = &a.capture.channel.0;
    if channels.len() < 2 {
        return Err(Failure::input("--modes: one channel; expected --channel 1,2 (or more): one for each conductor"));
    }
    let name = a.record.file_name().map_or_else(String::new, |n| n.to_string_lossy().into_owned());
    let doubt = ChannelDoubt { skew_s: a.modes.skew_doubt, gain: a.modes.gain_doubt };
    let mut bar = Bar::new(show.quiet);
    let measured = measure_modes(&a.record, &name, reading, channels, &a.modes.later, doubt, &mut |s| bar.tell(s))?;
    drop(bar);
    if !show.quiet && !show.json {
        eprint!("{MAINS_CAUTION}");
    }
    let mut documents = Vec::new();
    let mut text = String::new();
    for (m, &number) in measured.conductors.iter().zip(channels) {
        let out = a.out.as_ref().map(|o| channel_path(o, number));
        let start = write_measured(out.as_deref(), &m.trace)?;
        if a.more.timeline {
            out.as_deref().map(|o| write_time_structure(o, m)).transpose()?;
        }
        let mut document = trace_json(a, &m.trace, start, out.as_deref());
        document.insert("channel".into(), json!(number));
        document.insert("channel_name".into(), json!(m.channel));
        documents.push(Value::Object(document));
        text.push_str(&format!("\nChannel {number}, {}, dBµV:\n{}", m.channel, highest(&m.trace)));
    }
    let mut mode_documents = Vec::new();
    for m in &measured.modes {
        let out = a.out.as_ref().map(|o| beside(o, &m.combination.key));
        let start = write_measured(out.as_deref(), &m.trace)?;
        let mut document = trace_json(a, &m.trace, start, out.as_deref());
        document.insert("mode".into(), json!(m.combination.key));
        document.insert("weights".into(), json!(m.combination.weights));
        document.insert("leakage_db".into(), json!(m.leakage_db));
        document.insert("points_in_leakage".into(), json!(m.points_in_leakage));
        mode_documents.push(Value::Object(document));
        text.push_str(&format!("\n{}, dBµV at 50 Ω:\n{}", m.combination.name, highest(&m.trace)));
    }
    if show.json {
        print::json(&json!({
            "record": a.record.display().to_string(), "band": a.band, "channels": documents, "modes": mode_documents,
            "skew_s": measured.skew_s, "gain_mismatch": measured.gain, "notes": measured.notes,
        }))?;
        return Ok(Outcome::Done);
    }
    text.push_str(
        "\nCommon mode is the mean of the conductors' voltages at the network's 50 Ω, differential mode what is left of each \
         (of two: half their difference; the voltage between them is 6.02 dB more). A tilde: not told apart from noise or from \
         what the other mode leaks.\n",
    );
    for n in &measured.notes {
        text.push_str(&format!("{n}\n"));
    }
    if let Some(out) = &a.out {
        text.push_str(&format!("Written beside {}: one trace for each conductor and mode.\n", out.display()));
    }
    print::text(&text)?;
    Ok(Outcome::Done)
}

/// The conductor of `FILE@CONDUCTOR`.
fn named(path: &Path) -> Result<(PathBuf, String), Failure> {
    let text = path.to_string_lossy();
    match text.rsplit_once('@') {
        Some((file, name)) if !file.is_empty() && !name.is_empty() => Ok((PathBuf::from(file), name.to_owned())),
        _ => Err(Failure::input(format!("{text}: expected FILE@CONDUCTOR, e.g. l.csv@L1, or one project folder"))),
    }
}

fn groups(show: Show, a: &Conductors) -> Result<Vec<ConductorGroup>, Failure> {
    if let [dir] = a.paths.as_slice()
        && dir.is_dir()
    {
        let mut bar = Bar::new(show.quiet);
        return Ok(conductors_of_runs(dir, &a.runs.filter(), &a.limits.limits, &mut |s| bar.tell(s))?);
    }
    let chain = chain_of(a.chain.as_ref())?;
    let mut names = Vec::new();
    let mut traces: Vec<Trace> = Vec::new();
    for path in &a.paths {
        let (file, name) = named(path)?;
        traces.push(at_the_product(&file, &a.sweep, chain.as_ref())?);
        names.push(name);
    }
    let refs: Vec<&Trace> = traces.iter().collect();
    let held = hold(&refs).map_err(workbench::WorkError::from)?;
    let limits = if a.limits.limits.is_empty() { Vec::new() } else { a.limits.for_files()? };
    let verdict = if limits.is_empty() {
        None
    } else {
        let options = choices::judging(&a.judging)?;
        Some(
            emission::judge(&held.trace, &limits.iter().collect::<Vec<_>>(), &options)
                .map_err(workbench::WorkError::from)?,
        )
    };
    let mut notes = Vec::new();
    let bands = if names.len() < 2 {
        Vec::new()
    } else {
        mode_bands(&names, &refs).unwrap_or_else(|e| {
            notes.push(format!("No bounds of the modes: {e}."));
            Vec::new()
        })
    };
    Ok(vec![ConductorGroup {
        port: None,
        state: None,
        mode: None,
        sample: None,
        runs: Vec::new(),
        conductors: names,
        held,
        verdict,
        bands,
        notes,
    }])
}

/// What two readings alone say of the modes at a frequency, in words.
fn band_words(bands: &[ModeBand], k: usize, detector: standards::Detector) -> Vec<String> {
    bands
        .iter()
        .filter(|b| b.detector == detector)
        .map(|b| match (b.least_db[k], b.most_db[k]) {
            (_, most) if most.is_nan() => "–".to_owned(),
            (least, most) if least.is_finite() => format!("{} … {}", db(least), db(most)),
            (_, most) => format!("≤ {}", db(most)),
        })
        .collect()
}

/// `hushfield conductors`.
pub(crate) fn conductors(show: Show, a: &Conductors) -> Result<Outcome, Failure> {
    let groups = groups(show, a)?;
    if let Some(out) = &a.out {
        let [one] = groups.as_slice() else {
            return Err(Failure::input(format!(
                "--out: {} groups of runs; expected one (choose it with --port, --state, --mode, --sample)",
                groups.len()
            )));
        };
        write_trace(out, &one.held.trace, None).map_err(|e| Failure::input(e.to_string()))?;
    }
    let outcome = if groups.iter().all(|g| g.verdict.as_ref().is_none_or(|v| v.decision == emission::Decision::Pass)) {
        Outcome::Done
    } else {
        Outcome::NotAPass
    };
    if show.json {
        let two: Vec<Value> = groups.iter().map(at_least).collect();
        print::json(&json!({ "groups": groups, "larger_mode": two }))?;
        return Ok(outcome);
    }
    let mut text = String::new();
    for g in &groups {
        let of: Vec<String> = [&g.port, &g.state, &g.mode, &g.sample].into_iter().flatten().cloned().collect();
        text.push_str(&format!(
            "Highest of {}{}\n",
            g.conductors.join(", "),
            if of.is_empty() { String::new() } else { format!(" ({})", of.join(", ")) }
        ));
        if let Some(v) = &g.verdict {
            text.push_str(&format!("{}\n", v.sentence));
        }
        text.push('\n');
        let column = g.held.trace.columns.first();
        let Some(column) = column else { continue };
        let Some(detector) = column.detector else { continue };
        let mut heads = vec!["frequency".to_owned(), format!("{detector}"), "conductor".to_owned()];
        heads.extend(g.bands.iter().filter(|b| b.detector == detector).map(|b| b.combination.name.clone()));
        let heads: Vec<&str> = heads.iter().map(String::as_str).collect();
        let mut tops: Vec<usize> = g.verdict.as_ref().map_or_else(
            || top_ten(&column.level_db),
            |v| {
                v.suspects
                    .iter()
                    .take(12)
                    .filter_map(|s| g.held.trace.frequency_hz.iter().position(|f| *f >= s.frequency_hz))
                    .collect()
            },
        );
        tops.sort_unstable();
        let rows = tops
            .into_iter()
            .map(|k| {
                let from = g.held.from.first().and_then(|c| c[k]).map_or("–", |i| g.conductors[i].as_str());
                let mut row = vec![hz(g.held.trace.frequency_hz[k]), db(column.level_db[k]), from.to_owned()];
                row.extend(band_words(&g.bands, k, detector));
                row
            })
            .collect();
        text.push_str(&print::table(&heads, rows, &[0, 1]));
        if !g.bands.is_empty() {
            text.push_str(
                "The modes are bounds, not levels: amplitudes taken one after the other leave the phase open (triangle inequality). \
                 Record the conductors at the same time to have the levels (receive --modes).\n",
            );
        }
        for n in &g.notes {
            text.push_str(&format!("Note: {n}\n"));
        }
        text.push('\n');
    }
    print::text(&text)?;
    Ok(outcome)
}

/// Of two conductors the larger of the modes is at least the root mean square of the readings over √2.
fn at_least(g: &ConductorGroup) -> Value {
    if g.conductors.len() != 2 {
        return Value::Null;
    }
    let Some(first) = g.bands.first() else { return Value::Null };
    let levels: Vec<Value> = first
        .least_db
        .iter()
        .zip(&first.most_db)
        .map(|(least, most)| {
            if most.is_nan() {
                return Value::Null;
            }
            // Sum and difference of the two amplitudes give them back.
            let (sum, apart) = (10f64.powf(most / 20.0), 10f64.powf(least / 20.0));
            let level = |v: f64| 20.0 * v.max(1e-12).log10();
            json!(two_conductors(level(sum + apart), level(sum - apart)).larger_at_least_dbuv)
        })
        .collect();
    json!({ "detector": first.detector, "larger_at_least_db": levels })
}

fn top_ten(level: &[f64]) -> Vec<usize> {
    let mut tops: Vec<usize> = (0..level.len())
        .filter(|&i| {
            let near = level[i.saturating_sub(2)..(i + 3).min(level.len())].iter();
            level[i].is_finite() && near.fold(f64::NEG_INFINITY, |a, b| a.max(*b)) <= level[i]
        })
        .collect();
    tops.sort_by(|&a, &b| level[b].total_cmp(&level[a]));
    tops.truncate(10);
    tops
}
