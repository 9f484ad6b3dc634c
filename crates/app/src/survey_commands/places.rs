use emission::distance::{Conversion, Difference, Polarisation};
use emission::site::{Scan, attenuation_db, compare};
use formats::trace_file::write_trace;
use serde_json::{Value, json};
use workbench::survey::read_site;

use super::{DistanceArgs, SiteArgs, Take, polarisation};
use crate::outcome::{Failure, Outcome};
use crate::print::{self, Show, hz};
use crate::trace_commands::any_trace;

fn scan(flag: &[f64]) -> Result<Scan, Failure> {
    match flag {
        [from_m, to_m] if *from_m > 0.0 && from_m <= to_m => Ok(Scan { from_m: *from_m, to_m: *to_m }),
        other => {
            Err(Failure::input(format!("--scan {other:?}: expected two heights above the floor, the lower first")))
        }
    }
}

/// `hushfield distance`.
pub(crate) fn distance(show: Show, a: &DistanceArgs) -> Result<Outcome, Failure> {
    let conversion = Conversion {
        from_m: a.from,
        to_m: a.to,
        product_m: a.size,
        source_height_m: match a.source_height[..] {
            [low, high] => (low, high),
            _ => (0.8, 0.8),
        },
        scan: if a.no_floor { None } else { Some(scan(&a.scan)?) },
        polarisation: a.polarisation.map(polarisation),
    };
    let read = a.trace.as_deref().map(|p| any_trace(p, &a.sweep)).transpose()?.map(|t| t.0);
    let frequencies = match &read {
        Some(t) if a.frequency.is_empty() => t.frequency_hz.clone(),
        None if a.frequency.is_empty() => vec![30e6, 50e6, 100e6, 200e6, 300e6, 500e6, 1e9],
        _ => a.frequency.clone(),
    };
    let answers: Vec<_> = frequencies.iter().map(|&f| conversion.at(f)).collect();
    if answers.iter().all(Result::is_err)
        && let Some(Err(e)) = answers.first()
    {
        return Err(Failure::input(e.to_string()));
    }
    let taken = |d: &Difference| match a.take {
        Take::Convention => d.convention_db,
        Take::Expected => d.expected_db,
        Take::Most => d.most_db,
    };
    if let (Some(trace), Some(out)) = (&read, &a.out) {
        let mut converted = trace.clone();
        let of_trace: Vec<_> = trace.frequency_hz.iter().map(|&f| conversion.at(f)).collect();
        for column in &mut converted.columns {
            for (k, answer) in of_trace.iter().enumerate() {
                let add = answer.as_ref().map_or(f64::NAN, &taken);
                column.level_db[k] += add;
                if let Some(floor) = column.floor_db.get_mut(k) {
                    *floor += add;
                }
            }
        }
        let widest = of_trace.iter().flatten().map(|d| d.most_db - d.least_db).fold(0.0, f64::max);
        let refused = of_trace.iter().filter(|x| x.is_err()).count();
        converted.history.push(format!(
            "reckoned from {} m to {} m ({}); the band of what is possible is up to {widest:.1} dB wide; {refused} frequencies \
             refused",
            a.from,
            a.to,
            match a.take {
                Take::Convention => "20 dB a decade",
                Take::Expected => "middle of the band",
                Take::Most => "the most that is possible",
            }
        ));
        write_trace(out, &converted, None).map_err(|e| Failure::input(e.to_string()))?;
    }
    if show.json {
        let rows: Vec<Value> = frequencies
            .iter()
            .zip(&answers)
            .map(|(f, answer)| match answer {
                Ok(d) => json!(d),
                Err(e) => json!({ "frequency_hz": f, "refused": e.to_string() }),
            })
            .collect();
        print::json(&json!({
            "from_m": a.from, "to_m": a.to, "product_m": a.size, "differences": rows,
            "out": a.out.as_ref().map(|o| o.display().to_string()),
        }))?;
        return Ok(Outcome::Done);
    }
    let mut text = format!("Level at {} m less level at {} m, dB:\n", a.to, a.from);
    // A trace has thousands of frequencies: a dozen of them for people.
    let every = frequencies.len().div_ceil(14).max(1);
    let mut refused = Vec::new();
    let rows = frequencies
        .iter()
        .zip(&answers)
        .step_by(every)
        .map(|(f, answer)| match answer {
            Ok(d) => vec![
                hz(*f),
                format!("{:+.1}", d.convention_db),
                format!("{:+.1}", d.expected_db),
                format!("{:+.1} … {:+.1}", d.least_db, d.most_db),
                format!("{:.1}", d.floor_most_db - d.floor_least_db),
                format!("{:.1}", d.near_field_db),
                format!("{:.1}", d.extent_db),
            ],
            Err(e) => {
                refused.push(e.to_string());
                vec![hz(*f), "–".into(), "–".into(), "refused".into(), "–".into(), "–".into(), "–".into()]
            }
        })
        .collect();
    text.push_str(&print::table(
        &["frequency", "20 dB/decade", "expected", "possible", "of it floor", "near field", "extent"],
        rows,
        &[0, 1, 2, 3, 4, 5, 6],
    ));
    for r in refused.iter().take(3) {
        text.push_str(&format!("Refused: {r}\n"));
    }
    text.push_str(
        "A limit holds at its own distance; a converted level is an estimate within the band, and no verdict of a laboratory.\n",
    );
    if let Some(out) = &a.out {
        text.push_str(&format!("Written to {}\n", out.display()));
    }
    print::text(&text)?;
    Ok(Outcome::Done)
}

/// `hushfield site`.
pub(crate) fn site(show: Show, a: &SiteArgs) -> Result<Outcome, Failure> {
    let scan = scan(&a.scan)?;
    let said = a.polarisation.map(polarisation);
    let Some(file) = &a.file else { return theory(show, a, &scan) };
    let measured = read_site(file, a.distance, a.transmit_height, said)?;
    let site = compare(&measured, &scan).map_err(|e| Failure::input(format!("{}: {e}", file.display())))?;
    let outcome = if site.accepted { Outcome::Done } else { Outcome::NotAPass };
    if show.json {
        print::json(&site)?;
        return Ok(outcome);
    }
    let mut text = format!(
        "The site {}: the largest deviation from theory is {:.1} dB at {} (accepted within ±4 dB).\n\n",
        if site.accepted { "is accepted" } else { "is not accepted" },
        site.largest_db,
        hz(site.largest_hz)
    );
    let rows = site
        .deviations
        .iter()
        .map(|d| {
            vec![
                hz(d.measured.frequency_hz),
                format!("{} m", d.measured.distance_m),
                d.measured.polarisation.name().to_owned(),
                format!("{:.1}", d.measured.attenuation_db),
                format!("{:.1}", d.theory_db),
                format!("{:+.1}{}", d.deviation_db, if d.accepted { "" } else { " !" }),
            ]
        })
        .collect();
    text.push_str(&print::table(
        &["frequency", "distance", "polarisation", "measured, dB", "theory, dB", "deviation, dB"],
        rows,
        &[0, 1, 3, 4, 5],
    ));
    text.push_str(&format!(
        "\nMean deviation {:+.1} dB (positive: the site loses more, levels read low), root mean square {:.1} dB.\nIn an uncertainty \
         budget: half-width {:.1} dB, triangular (as CISPR 16-4-2 counts a site, from memory): u = {:.2} dB; rectangular, the safe \
         choice for a room measured at few points: u = {:.2} dB.\n",
        site.mean_db, site.rms_db, site.half_width_db, site.triangular_standard_db, site.rectangular_standard_db
    ));
    for n in &site.notes {
        text.push_str(&format!("Note: {n}\n"));
    }
    print::text(&text)?;
    Ok(outcome)
}

fn theory(show: Show, a: &SiteArgs, scan: &Scan) -> Result<Outcome, Failure> {
    let distances = a.distance.map_or(vec![3.0, 10.0], |d| vec![d]);
    let transmit_m = a.transmit_height.unwrap_or(1.0);
    if distances.iter().any(|d| !(d.is_finite() && *d > 0.0)) || !(transmit_m.is_finite() && transmit_m > 0.0) {
        return Err(Failure::input("--distance, --transmit-height: expected metres, above zero"));
    }
    let kinds: Vec<Polarisation> = match a.polarisation {
        Some(p) => vec![polarisation(p)],
        None => vec![Polarisation::Horizontal, Polarisation::Vertical],
    };
    let megahertz = [30.0, 50.0, 80.0, 100.0, 150.0, 200.0, 300.0, 500.0, 700.0, 1000.0];
    let mut columns = Vec::new();
    for &d in &distances {
        for &p in &kinds {
            let values: Vec<f64> = megahertz.iter().map(|f| attenuation_db(f * 1e6, d, transmit_m, scan, p)).collect();
            columns.push((d, p, values));
        }
    }
    if show.json {
        print::json(&json!({
            "frequency_hz": megahertz.iter().map(|f| f * 1e6).collect::<Vec<_>>(), "transmit_height_m": transmit_m, "scan": scan,
            "theory": columns.iter().map(|(d, p, v)| json!({ "distance_m": d, "polarisation": p, "attenuation_db": v })).collect::<Vec<_>>(),
        }))?;
        return Ok(Outcome::Done);
    }
    let mut heads = vec!["frequency".to_owned()];
    heads.extend(columns.iter().map(|(d, p, _)| format!("{d} m {}", p.name())));
    let heads: Vec<&str> = heads.iter().map(String::as_str).collect();
    let rows = (0..megahertz.len())
        .map(|i| {
            let mut row = vec![hz(megahertz[i] * 1e6)];
            row.extend(columns.iter().map(|c| format!("{:.1}", c.2[i])));
            row
        })
        .collect();
    let mut text = format!(
        "Normalised site attenuation in theory, dB (transmitting antenna {transmit_m} m high, receiving antenna {} to {} m):\n",
        scan.from_m, scan.to_m
    );
    text.push_str(&print::table(&heads, rows, &[0, 1, 2, 3, 4]));
    print::text(&text)?;
    Ok(Outcome::Done)
}
