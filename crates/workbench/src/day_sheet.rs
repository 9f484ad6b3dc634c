//! The laboratory days as the sheet that is printed.

use std::collections::BTreeMap;

use campaign::{Date, Days, EntryKind, Laboratory};
use report::{DaySheet, SheetDay, SheetDecision, SheetEntry, SheetKind, render_day_sheet};

use crate::WorkError;

/// From this chance on a test is marked as likely to fail.
const LIKELY: f64 = 0.2;
const MONTHS: [&str; 12] = [
    "January",
    "February",
    "March",
    "April",
    "May",
    "June",
    "July",
    "August",
    "September",
    "October",
    "November",
    "December",
];

/// A title without the method in brackets: a line on the sheet is short.
fn short(title: &str) -> String {
    title.rsplit_once(" (").filter(|(_, end)| end.ends_with(')')).map_or(title, |(start, _)| start).to_owned()
}

/// The days on one sheet, as PDF. `generated_at` as `2026-11-25 10:20`; `first` is the day of the visit, where it is known.
pub fn days_pdf(
    product: &str,
    days: &Days,
    laboratory: &Laboratory,
    first: Option<Date>,
    generated_at: &str,
) -> Result<Vec<u8>, WorkError> {
    let sheet = sheet_of(product, days, laboratory, first, generated_at);
    Ok(render_day_sheet(&sheet)?.pdf)
}

fn sheet_of(product: &str, d: &Days, laboratory: &Laboratory, first: Option<Date>, generated_at: &str) -> DaySheet {
    let fails = |job: Option<&String>| {
        let job = d.jobs.iter().find(|j| Some(&j.id) == job)?;
        (job.fails >= LIKELY).then_some(job.fails)
    };
    let days = d
        .days
        .iter()
        .map(|day| {
            let name = first.map_or_else(
                || format!("Day {}", day.number),
                |f| {
                    let date = f.working_day(day.number - 1);
                    let month = MONTHS.get(date.month as usize - 1).unwrap_or(&"");
                    format!("Day {}, {} {month} {}", day.number, date.day, date.year)
                },
            );
            let one = |e: &campaign::DayEntry, beside: bool| {
                let kind = match e.kind {
                    EntryKind::Break => return None,
                    EntryKind::SetUp if beside => SheetKind::Beside,
                    EntryKind::SetUp => SheetKind::SetUp,
                    EntryKind::Test => SheetKind::Test,
                    EntryKind::Free => SheetKind::Free,
                };
                let fails = fails(e.job.as_ref());
                let title = short(&e.title);
                Some(SheetEntry { from_min: e.from_min, to_min: e.to_min, kind, title, fails })
            };
            let mut entries: Vec<SheetEntry> = day.entries.iter().filter_map(|e| one(e, false)).collect();
            entries.extend(day.beside.iter().filter_map(|e| one(e, true)));
            entries.sort_by_key(|e| (e.from_min, e.to_min));
            SheetDay { name, entries }
        })
        .collect();
    let mut bring: Vec<(String, Vec<String>)> = Vec::new();
    let mut carry = Vec::new();
    for b in &d.bring {
        if b.why == "to try a fix on the spot" {
            carry.push(b.what.clone());
        } else if let Some((_, list)) = bring.iter_mut().find(|(why, _)| *why == b.why) {
            list.push(b.what.clone());
        } else {
            bring.push((b.why.clone(), vec![b.what.clone()]));
        }
    }
    // A caution once, with the rigs it belongs to.
    let mut cautions: BTreeMap<usize, (String, Vec<String>)> = BTreeMap::new();
    for (k, rig) in laboratory.rigs.iter().enumerate() {
        let used = d.jobs.iter().any(|j| j.rig == rig.id);
        if !used || rig.caution.is_empty() {
            continue;
        }
        match cautions.values_mut().find(|(text, _)| *text == rig.caution) {
            Some((_, rigs)) => rigs.push(rig.name.clone()),
            None => {
                cautions.insert(k, (rig.caution.clone(), vec![rig.name.clone()]));
            }
        }
    }
    DaySheet {
        product: product.to_owned(),
        laboratory: d.laboratory.clone(),
        summary: vec![
            format!("{} half-days, {:.0} {}", d.half_days, d.price, d.currency),
            format!("{:.0} min of repeats to be expected, {} min free", d.expected_repeat_min, d.free_min),
            format!(
                "{}: no order costs less by more than {:.1} %",
                if d.proven { "proven" } else { "the best found" },
                d.gap_percent
            ),
        ],
        generated_at: generated_at.to_owned(),
        opens_min: laboratory.opens_min,
        closes_min: laboratory.closes_min,
        days,
        bring,
        decisions: d
            .decisions
            .iter()
            .map(|x| SheetDecision {
                title: short(&x.title),
                fails_percent: (100.0 * x.fails).round() as u32,
                worth_min: x.worth_min,
                doubt_min: x.doubt_min,
            })
            .collect(),
        carry,
        cautions: cautions.into_values().map(|(text, rigs)| format!("{}: {text}", rigs.join(", "))).collect(),
    }
}
