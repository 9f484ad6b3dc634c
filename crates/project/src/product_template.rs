//! The commented `product.toml` with which a project starts, written from the table of fields.

use std::fmt::Write as _;
use std::sync::LazyLock;

use crate::product_fields::{FieldGroup, FieldKind, ProductField, product_fields};

/// Longest line of the template.
const WIDTH: usize = 118;

const HEAD: &str = "\
# The product under test. Fill in what you know; what is missing is asked for where it matters, not guessed.
# Text after a # is for people; the tool keeps it whenever it changes this file. Empty quotes mean: not answered yet.
# `hushfield serve` asks for the same in a form, with the same words.
";

static TEMPLATE: LazyLock<String> = LazyLock::new(write);

/// The text of a new project's `product.toml`.
pub(crate) fn template() -> &'static str {
    &TEMPLATE
}

fn write() -> String {
    let mut out = HEAD.to_owned();
    // In TOML what belongs to the top stands before the first table.
    let (top, tables): (Vec<&FieldGroup>, Vec<&FieldGroup>) = product_fields().iter().partition(|g| g.table.is_empty());
    for group in top.into_iter().chain(tables) {
        let _ = writeln!(out, "\n# {}", group.title.to_uppercase());
        comment(&mut out, &group.intro);
        if !group.caution.is_empty() {
            comment(&mut out, &format!("CAUTION. {}", group.caution));
        }
        if group.list {
            // The commented block explains; the blocks of a new project follow it.
            let _ = writeln!(out, "#\n# [[{}]]", group.table);
            for field in &group.fields {
                explain(&mut out, field);
                let _ = writeln!(out, "# {} = {}", field.key, field.example);
            }
            for start in &group.starts {
                let _ = writeln!(out, "\n[[{}]]", group.table);
                for field in &group.fields {
                    if let Some(value) = start.get(&field.key) {
                        let _ = writeln!(out, "{} = {value:?}", field.key);
                    }
                }
            }
            continue;
        }
        if !group.table.is_empty() {
            let _ = writeln!(out, "# [{}]", group.table);
        }
        for field in &group.fields {
            if group.table.is_empty() {
                out.push('\n');
            }
            explain(&mut out, field);
            let empty = match field.kind {
                FieldKind::Text | FieldKind::LongText | FieldKind::Choice => Some("\"\""),
                FieldKind::Texts => Some("[]"),
                FieldKind::Number | FieldKind::Truth => None,
            };
            let starts = field.starts.as_deref().or(empty.filter(|_| group.table.is_empty()));
            match starts {
                Some(value) if value == "\"\"" || value == "[]" => {
                    let _ = writeln!(out, "# e.g. {}\n{} = {value}", field.example, field.key);
                }
                Some(value) => {
                    let _ = writeln!(out, "{} = {value}", field.key);
                }
                None => {
                    let _ = writeln!(out, "# {} = {}", field.key, field.example);
                }
            }
        }
    }
    out
}

fn explain(out: &mut String, field: &ProductField) {
    let unit = if field.unit.is_empty() { String::new() } else { format!(" ({})", field.unit) };
    let moves = if field.moves.is_empty() { String::new() } else { format!(" {}", field.moves) };
    comment(out, &format!("{}{unit}: {}{moves}", field.label, field.what));
    if !field.choices.is_empty() {
        let words: Vec<String> = field.choices.iter().map(|c| format!("{} ({})", c.key, c.text)).collect();
        comment(out, &format!("Words: {}.", words.join("; ")));
    }
    if !field.caution.is_empty() {
        comment(out, &format!("CAUTION. {}", field.caution));
    }
}

fn comment(out: &mut String, text: &str) {
    let mut line = "#".to_owned();
    for word in text.split_whitespace() {
        if line.chars().count() + 1 + word.chars().count() > WIDTH {
            let _ = writeln!(out, "{line}");
            "#".clone_into(&mut line);
        }
        line.push(' ');
        line.push_str(word);
    }
    let _ = writeln!(out, "{line}");
}

#[cfg(test)]
mod tests {
    use crate::Product;

    /// Comment lines that are settings: a heading, or a key before an equals sign.
    fn uncommented() -> String {
        let lines: Vec<&str> = Product::template()
            .lines()
            .map(|line| {
                let code = line.strip_prefix("# ").filter(|l| l.starts_with('[') || l.split(' ').nth(1) == Some("="));
                code.unwrap_or(line)
            })
            .collect();
        lines.join("\n")
    }

    #[test]
    fn a_new_project_reads_without_a_word_and_answers_nothing_for_the_maker() {
        let reading = Product::read(Product::template(), "product.toml").unwrap();
        assert_eq!(reading.warnings, []);
        let product = reading.product;
        assert_eq!(product.ports.len(), 2);
        assert_eq!((product.family, product.environment, product.supply), (None, None, None));
        assert!(product.markets.is_empty() && product.modes.is_empty());
        assert!(Product::template().lines().all(|l| l.chars().count() <= super::WIDTH + 2), "lines fit a page");
    }

    /// What stands behind `# ` in the template must itself be right, or the first thing a user does fails.
    #[test]
    fn the_template_reads_with_its_examples_uncommented() {
        let reading = Product::read(&uncommented(), "product.toml").unwrap();
        assert_eq!(reading.warnings, []);
        let product = reading.product;
        assert_eq!(product.converters[0].rise_time_s, Some(50e-9));
        assert_eq!(product.clocks[0].tolerance_ppm, Some(50.0));
        assert_eq!(product.ports[0].screened, Some(true));
        assert_eq!(product.ports[0].cable_length_m, Some(25.0));
        assert_eq!(product.ports.len(), 3);
        let supply = product.supply.unwrap();
        assert_eq!((supply.voltage_v, supply.y_capacitance_f, supply.earthed), (230.0, Some(4.4e-9), Some(true)));
        assert_eq!((product.slots[0].count, product.spares[0].count), (12, 5));
        assert_eq!(product.enclosure.length_m, Some(0.3));
        assert_eq!(product.highest_internal_frequency_hz, Some(48e6));
        assert_eq!(product.samples[0].id, "S1");
        assert!(product.criteria.c.is_some());
    }
}
