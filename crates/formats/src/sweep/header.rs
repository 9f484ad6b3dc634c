//! The names and units right above the table.

use super::Delimiter;
use super::layout::{Kind, Layout};
use super::names::{FoundUnit, exact_unit, names_frequency, names_index, names_time, unit_in};
use super::preamble::{is_setting, uncommented};
use super::text::{Cell, cell, split};

/// Names and units of the columns.
#[derive(Debug, Default, Clone, PartialEq)]
pub(super) struct Header {
    /// Index of the line of names.
    pub(super) names_line: Option<usize>,
    pub(super) names: Vec<String>,
    /// Index of the line of units.
    pub(super) units_line: Option<usize>,
    pub(super) units: Vec<String>,
}

impl Header {
    /// Index of the first line that is no preamble.
    pub(super) fn first_line(&self, start: usize) -> usize {
        self.names_line.or(self.units_line).map_or(start, |n| n.min(self.units_line.unwrap_or(n)))
    }
    /// Name of a column, empty where there is none.
    pub(super) fn name(&self, column: usize) -> &str {
        self.names.get(column).map_or("", String::as_str)
    }
    /// Unit of a column, from its units row or inside its name.
    pub(super) fn unit(&self, column: usize) -> Option<FoundUnit> {
        self.units.get(column).and_then(|u| exact_unit(u)).or_else(|| unit_in(self.name(column)))
    }
}

/// Cells of a header, cut so that they fit so many columns if any way does.
fn fit(line: &str, layout: &Layout, columns: usize) -> Vec<String> {
    let line = uncommented(line);
    let mut cells = Vec::new();
    let trimmed = |cells: &[&str]| {
        let n = cells.iter().rposition(|c| !c.is_empty()).map_or(0, |n| n + 1);
        cells[..n].iter().map(|c| (*c).to_owned()).collect::<Vec<String>>()
    };
    split(line, layout.delimiter, layout.any_blank, &mut cells);
    let plain = trimmed(&cells);
    if layout.delimiter != Delimiter::Space && plain.len() > 1 {
        return plain;
    }
    let mut ways = Vec::new();
    for d in [Delimiter::Semicolon, Delimiter::Tab, Delimiter::Comma] {
        split(line, d, false, &mut cells);
        ways.push(trimmed(&cells));
    }
    if layout.delimiter == Delimiter::Space || layout.delimiter == Delimiter::Tab {
        ways.push(line.split("  ").map(str::trim).filter(|c| !c.is_empty()).map(str::to_owned).collect());
        // A unit belongs to the word before it.
        let mut merged: Vec<String> = Vec::new();
        let mut open = false;
        for token in line.split_whitespace() {
            let closes = token.contains([')', ']']);
            let unit = token.starts_with(['(', '[']) || exact_unit(token).is_some();
            let lonely = merged.last().is_none_or(|m| exact_unit(m).is_some());
            match merged.last_mut() {
                Some(last) if open || (unit && !lonely) => {
                    last.push(' ');
                    last.push_str(token);
                }
                _ => merged.push(token.to_owned()),
            }
            open = (open || token.contains(['(', '['])) && !closes;
        }
        ways.push(merged);
        ways.push(plain.clone());
    }
    ways.into_iter().find(|w| w.len() == columns).unwrap_or(plain)
}

/// Finds the names and units above the first row. `from`: lines before it are not looked at.
pub(super) fn find(lines: &[&str], from: usize, layout: &Layout) -> Header {
    let columns = layout.kinds.len();
    let mut above = (from..layout.start).rev().filter(|i| {
        // Blank lines and rules drawn with signs.
        lines[*i].chars().any(char::is_alphanumeric) || lines[*i].contains('#')
    });
    let mut header = Header::default();
    let Some(first) = above.next() else { return header };
    let cells = fit(lines[first], layout, columns);
    let has_number = |cells: &[String]| cells.iter().any(|c| matches!(cell(c, layout.decimal, false), Cell::Number(_)));
    let said = |cells: &[String]| cells.iter().filter(|c| !c.is_empty()).count();
    let useful = |u: &Option<FoundUnit>| {
        matches!(u, Some(FoundUnit::Frequency(_) | FoundUnit::Level(_) | FoundUnit::NoReference(_)))
    };
    let all_units = said(&cells) >= 2
        && cells.iter().all(|c| c.is_empty() || c == "-" || exact_unit(c).is_some())
        && cells.iter().any(|c| useful(&exact_unit(c)));
    let named = if all_units {
        header.units_line = Some(first);
        header.units = cells;
        above.next().map(|i| (i, fit(lines[i], layout, columns)))
    } else {
        Some((first, cells))
    };
    if let Some((line, names)) = named {
        let frequency = names.iter().any(|c| names_frequency(c) || matches!(unit_in(c), Some(FoundUnit::Frequency(_))));
        let level = names.iter().any(|c| matches!(unit_in(c), Some(FoundUnit::Level(_))));
        let index = names.first().is_some_and(|c| names_index(c));
        let opens = (from..line).all(|i| lines[i].trim().is_empty());
        let axis_or_level = |c: &String| {
            names_frequency(c) || matches!(unit_in(c), Some(FoundUnit::Frequency(_) | FoundUnit::Level(_)))
        };
        let states_unit = names.first().is_some_and(|n| n.to_lowercase().contains("unit"));
        let setting = is_setting(lines[line], layout.delimiter)
            && (states_unit || said(&names) != columns || !names.iter().skip(1).any(axis_or_level));
        let time = names.first().is_some_and(|c| names_time(c));
        let wide_enough = said(&names) >= 2 || (columns > 1 && names.len() == columns && said(&names) >= 1);
        if wide_enough
            && !has_number(&names)
            && ((!setting && (frequency || level || index || time || opens))
                || (header.units_line.is_some() && names.len() == columns))
        {
            header.names_line = Some(line);
            header.names = names;
        }
    }
    header
}

/// True where the header has half as many names as the rows have cells, and every second cell is the fraction of the
/// number before it: the comma is delimiter and decimal sign at once.
pub(super) fn comma_is_both(header: &Header, layout: &Layout, first_row: &str) -> bool {
    if layout.delimiter != Delimiter::Comma
        || layout.fraction
        || layout.kinds.len() < 4
        || !layout.kinds.len().is_multiple_of(2)
    {
        return false;
    }
    let mut cells = Vec::new();
    split(first_row, Delimiter::Comma, false, &mut cells);
    let names = header.names.iter().filter(|n| !n.is_empty()).count();
    layout.kinds.iter().all(|k| *k == Kind::Number)
        && (names == 0 || names * 2 == layout.kinds.len())
        && cells
            .iter()
            .take(layout.kinds.len())
            .skip(1)
            .step_by(2)
            .all(|c| !c.is_empty() && c.bytes().all(|b| b.is_ascii_digit()))
}
