//! Two standards side by side, for people.

use std::fmt::Write as _;

use campaign::{Beside, BesideRow, Harder, PlannedTest};

use crate::campaign_commands::how_hard;
use crate::print;

pub(crate) fn word(harder: Harder) -> &'static str {
    match harder {
        Harder::Same => "same",
        Harder::Left => "left harder",
        Harder::Right => "right harder",
        Harder::Differs => "differs",
        Harder::OnlyLeft => "only left",
        Harder::OnlyRight => "only right",
    }
}

/// A side's level with its criterion.
pub(crate) fn side(test: Option<&PlannedTest>) -> String {
    test.map_or_else(
        || "-".to_owned(),
        |t| match &t.criterion {
            Some(c) => format!("{}; criterion {c}", how_hard(t)),
            None => how_hard(t),
        },
    )
}

fn clause(row: &BesideRow) -> String {
    let of = |t: Option<&PlannedTest>| t.map_or_else(|| "-".to_owned(), |t| t.clause.clone());
    format!("{} | {}", of(row.left.as_ref()), of(row.right.as_ref()))
}

pub(crate) fn text(b: &Beside) -> String {
    let mut out = String::new();
    let _ = writeln!(out, "Left:  {}", b.left.join("; "));
    let _ = writeln!(out, "Right: {}", b.right.join("; "));
    let rows = b
        .rows
        .iter()
        .map(|r| {
            vec![
                r.port_name.clone(),
                r.test.clone(),
                side(r.left.as_ref()),
                side(r.right.as_ref()),
                word(r.harder).to_owned(),
                clause(r),
            ]
        })
        .collect();
    let _ = write!(out, "\n{}", print::table(&["port", "test", "left", "right", "", "clauses"], rows, &[]));
    let _ = writeln!(out, "\n{}. {} rows of either do not apply to this product.", b.sentence, b.not_applying);
    out
}
