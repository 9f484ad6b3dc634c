//! Changing `product.toml` so that everything a person wrote around the values stays.

use toml_edit::{ArrayOfTables, DocumentMut, Item, Table, TableLike, Value};

use crate::product_fields::keys_of;
use crate::{Product, ProjectError};

/// The text of `product.toml` changed to say `product`. Comments, order, style and unknown keys stay.
pub(crate) fn edited(text: &str, product: &Product) -> Result<String, ProjectError> {
    let text = text.strip_prefix('\u{feff}').unwrap_or(text);
    // A file with the line ends of Windows keeps them, unless a text in it would change.
    let windows = text.matches("\r\n").count() * 2 > text.matches('\n').count();
    if !windows {
        return edited_lines(text, product);
    }
    let result = edited_lines(&text.replace("\r\n", "\n"), product)?;
    let back = result.replace('\n', "\r\n");
    let whole = Product::read(&back, "product.toml").is_ok_and(|r| r.product == product.tidied());
    Ok(if whole { back } else { result })
}

fn edited_lines(text: &str, product: &Product) -> Result<String, ProjectError> {
    let mut document: DocumentMut = text.parse().map_err(|e: toml_edit::TomlError| {
        ProjectError::value("product.toml", e.to_string(), "a readable TOML file")
    })?;
    let product = &product.tidied();
    let mut new = toml_edit::ser::to_document(product)
        .map_err(|e| ProjectError::value("product", e.to_string(), "values that TOML can hold"))?;
    // Tables the file does not have yet are written where it speaks of them.
    let fresh: Vec<(&str, Item)> = keys_of("")
        .into_iter()
        .filter(|key| document.get(key).is_none())
        .filter_map(|key| {
            let item = headed(new.get(key)?.clone());
            (item.is_table() || item.is_array_of_tables()).then_some((key, item))
        })
        .collect();
    for (key, _) in &fresh {
        new.remove(key);
    }
    let mut orphans = Vec::new();
    merge_table(document.as_table_mut(), new.as_table(), "", &mut orphans);
    settle(&mut document, orphans);
    let merged = document.to_string();
    let placed = fresh.iter().fold(merged.clone(), |text, (key, item)| place(&text, key, item, true));
    // Whatever the file looked like, it must now read as what was asked for.
    if Product::read(&placed, "product.toml").is_ok_and(|r| r.product == *product) {
        return Ok(placed);
    }
    // A heading in the midst of another table's lines would take them over: then at the end.
    let result = fresh.iter().fold(merged, |text, (key, item)| place(&text, key, item, false));
    let reading = Product::read(&result, "product.toml")?;
    if reading.product != *product {
        return Err(ProjectError::value(
            "product",
            "the file would not read back as the same product",
            "values that product.toml can hold",
        ));
    }
    Ok(result)
}

/// Writes a new table below the paragraph of comments that shows its heading (`# [supply]`), else at the end.
fn place(text: &str, key: &str, item: &Item, by_comment: bool) -> String {
    let mut block = DocumentMut::new();
    block.insert(key, item.clone());
    let block = block.to_string();
    let block = block.trim_matches('\n');
    let (one, many) = (format!("[{key}]"), format!("[[{key}]]"));
    let mut at = text.len();
    if by_comment {
        let mut end = 0;
        let mut found = false;
        for line in text.split_inclusive('\n') {
            let shown = line.trim();
            let heading = shown.strip_prefix('#').map(str::trim);
            found |= heading.is_some_and(|h| h == one || h == many);
            if found && !shown.starts_with('#') {
                at = end;
                break;
            }
            end += line.len();
        }
    }
    let (before, after) = text.split_at(at);
    let gap = if before.is_empty() || before.ends_with('\n') { "" } else { "\n" };
    format!("{before}{gap}\n{block}\n{after}")
}

/// Comments that lost what they stood above go above the next table in the file, or to its end.
fn settle(document: &mut DocumentMut, mut orphans: Vec<(isize, String)>) {
    // The last first: each goes before what stands there already, and so they keep their order.
    orphans.sort_by_key(|(gone, _)| std::cmp::Reverse(*gone));
    for (gone, comment) in orphans {
        let mut next: Option<(isize, &mut Table)> = None;
        for (_, item) in document.iter_mut() {
            let tables: Vec<&mut Table> = match item {
                Item::Table(table) => vec![table],
                Item::ArrayOfTables(list) => list.iter_mut().collect(),
                _ => Vec::new(),
            };
            for table in tables {
                let position = table.position().unwrap_or(isize::MAX);
                if position > gone && next.as_ref().is_none_or(|(nearest, _)| position < *nearest) {
                    next = Some((position, table));
                }
            }
        }
        if let Some((_, table)) = next {
            let own = prefix(table);
            table.decor_mut().set_prefix(comment + &own);
        } else {
            let trailing = document.trailing().as_str().unwrap_or_default().to_owned();
            document.set_trailing(format!("{comment}{trailing}"));
        }
    }
}

fn merge_table(old: &mut dyn TableLike, new: &dyn TableLike, name: &str, orphans: &mut Vec<(isize, String)>) {
    for key in keys_of(name) {
        // Empty quotes already say that there is no value.
        if new.get(key).is_some() || old.get(key).is_none_or(says_nothing) || emptied(old, key) {
            continue;
        }
        let above = above(old, key);
        let next = old.iter().map(|(k, _)| k.to_owned()).skip_while(|k| k != key).nth(1);
        if let Some(gone) = old.remove(key) {
            if let (Some(text), Some(mut next)) = (above, next.and_then(|n| old.key_mut(&n))) {
                let own = next.leaf_decor().prefix().and_then(|p| p.as_str()).unwrap_or_default().to_owned();
                next.leaf_decor_mut().set_prefix(text + &own);
            }
            match &gone {
                Item::ArrayOfTables(list) => keep_comment(list.iter().next(), orphans),
                Item::Table(table) => keep_comment(Some(table), orphans),
                _ => {}
            }
        }
    }
    for (key, item) in new.iter() {
        match old.get_mut(key) {
            Some(present) => merge_item(present, item, key, orphans),
            None if implied(new, key, item) => {}
            None => {
                old.insert(key, headed(item.clone()));
            }
        }
    }
}

/// The comment lines above a key.
fn above(table: &dyn TableLike, key: &str) -> Option<String> {
    let prefix = table.key(key)?.leaf_decor().prefix()?.as_str()?;
    prefix.contains('#').then(|| prefix.to_owned())
}

/// Where a comment speaks of a text or a list, its value is emptied and the line stays.
fn emptied(table: &mut dyn TableLike, key: &str) -> bool {
    if above(table, key).is_none() {
        return false;
    }
    let Some(Item::Value(value)) = table.get_mut(key) else { return false };
    let mut empty = match value {
        Value::String(_) => Value::from(""),
        Value::Array(_) => Value::Array(toml_edit::Array::new()),
        _ => return false,
    };
    *empty.decor_mut() = value.decor().clone();
    *value = empty;
    true
}

fn merge_item(old: &mut Item, new: &Item, key: &str, orphans: &mut Vec<(isize, String)>) {
    if let (Some(old), Some(new)) = (old.as_table_like_mut(), new.as_table_like()) {
        merge_table(old, new, key, orphans);
        return;
    }
    if let (Item::ArrayOfTables(present), Some(wanted)) = (&mut *old, tables_of(new)) {
        *present = merge_list(present, &wanted, key, orphans);
        return;
    }
    match (old, new) {
        (Item::Value(present), Item::Value(wanted)) => {
            if !same(present, wanted) {
                let mut value = plain(wanted.clone());
                *value.decor_mut() = present.decor().clone();
                *present = value;
            }
        }
        (old, new) => *old = headed(new.clone()),
    }
}

/// For every wanted entry the old one it is built on: that of the same id or name; failing that, one that says the same but
/// for its name (it was renamed), so that its comments and unknown keys go with it.
fn origins(old: &ArrayOfTables, wanted: &[Table]) -> Vec<Option<usize>> {
    let mut taken = vec![false; old.len()];
    let mut origins: Vec<Option<usize>> = Vec::with_capacity(wanted.len());
    for new in wanted {
        let same = old.iter().enumerate().position(|(k, t)| !taken[k] && identity(t) == identity(new));
        if let Some(k) = same {
            taken[k] = true;
        }
        origins.push(same);
    }
    for (i, new) in wanted.iter().enumerate().filter(|(i, _)| origins[*i].is_none()).collect::<Vec<_>>() {
        let likeness = |t: &Table| {
            let told = new.iter().filter(|(key, _)| !NAMES.contains(key));
            let (mut equal, mut all) = (0_usize, 0_usize);
            for (key, item) in told {
                all += 1;
                if let (Some(Item::Value(a)), Item::Value(b)) = (t.get(key), item) {
                    equal += usize::from(same(a, b));
                }
            }
            (equal, all)
        };
        let best = old
            .iter()
            .enumerate()
            .filter(|(k, _)| !taken[*k])
            .filter(|(k, t)| {
                let (equal, all) = likeness(t);
                2 * equal > all || (all == 0 && *k == i && old.len() == wanted.len())
            })
            // Of several alike the one that stands nearest.
            .max_by_key(|(k, t)| (likeness(t).0, std::cmp::Reverse(k.abs_diff(i))))
            .map(|(k, _)| k);
        if let Some(k) = best {
            taken[k] = true;
        }
        origins[i] = best;
    }
    origins
}

/// Keys by which an entry is called.
const NAMES: [&str; 2] = ["id", "name"];

/// The wanted entries in their order, each built on the old one it stems from.
fn merge_list(old: &ArrayOfTables, wanted: &[Table], key: &str, orphans: &mut Vec<(isize, String)>) -> ArrayOfTables {
    let mut left: Vec<Option<&Table>> = old.iter().map(Some).collect();
    let mut merged: Vec<Table> = Vec::with_capacity(wanted.len());
    for (new, origin) in wanted.iter().zip(origins(old, wanted)) {
        match origin.and_then(|k| left[k].take()) {
            Some(same) => {
                let mut table = same.clone();
                merge_table(&mut table, new, key, orphans);
                merged.push(table);
            }
            None => {
                let mut table = Table::new();
                for (key, item) in new.iter().filter(|(key, item)| !implied(new, key, item)) {
                    table.insert(key, headed(item.clone()));
                }
                merged.push(table);
            }
        }
    }
    // The comment above the first block usually speaks of the whole list.
    if let Some(Some(first)) = left.first().copied() {
        match merged.first_mut() {
            Some(table) => {
                let own = prefix(table);
                let kept = prefix(first);
                table.decor_mut().set_prefix(if own.contains('#') { kept + &own } else { kept });
            }
            None => keep_comment(Some(first), orphans),
        }
    }
    // Blocks are written where they stood; new ones follow the last.
    let mut places: Vec<isize> = old.iter().filter_map(Table::position).collect();
    places.sort_unstable();
    let mut places = places.into_iter();
    for table in &mut merged {
        table.set_position(places.next());
    }
    merged.into_iter().collect()
}

fn keep_comment(table: Option<&Table>, orphans: &mut Vec<(isize, String)>) {
    let Some(table) = table else { return };
    let text = prefix(table);
    if text.contains('#') {
        orphans.push((table.position().unwrap_or(isize::MAX), text));
    }
}

fn prefix(table: &Table) -> String {
    table.decor().prefix().and_then(|p| p.as_str()).unwrap_or("\n").to_owned()
}

fn identity(table: &Table) -> Option<&str> {
    table.get("id").or_else(|| table.get("name")).and_then(Item::as_str)
}

/// The entries of a list of tables, however it is written.
fn tables_of(item: &Item) -> Option<Vec<Table>> {
    match item {
        Item::ArrayOfTables(array) => Some(array.iter().cloned().collect()),
        Item::Value(Value::Array(array)) if !array.is_empty() => {
            array.iter().map(|v| v.as_inline_table().map(|t| t.clone().into_table())).collect()
        }
        _ => None,
    }
}

/// New tables get headings of their own, not braces.
fn headed(item: Item) -> Item {
    if let Some(tables) = tables_of(&item) {
        let tables = tables.into_iter().map(|table| {
            let mut filled = Table::new();
            for (key, item) in table.iter().filter(|(key, item)| !implied(&table, key, item)) {
                filled.insert(key, headed(item.clone()));
            }
            filled
        });
        return Item::ArrayOfTables(tables.collect());
    }
    match item {
        Item::Value(Value::InlineTable(table)) => {
            let mut headed_table = Table::new();
            for (key, value) in &table {
                headed_table.insert(key, Item::Value(plain(value.clone())));
            }
            Item::Table(headed_table)
        }
        Item::Value(value) => Item::Value(plain(value)),
        other => other,
    }
}

fn says_nothing(item: &Item) -> bool {
    item.as_str().is_some_and(str::is_empty) || item.as_array().is_some_and(toml_edit::Array::is_empty)
}

/// What a reader takes for granted need not be written: nothing, one phase, the id as the name.
fn implied(table: &dyn TableLike, key: &str, item: &Item) -> bool {
    says_nothing(item)
        || (matches!(key, "phases" | "count") && item.as_integer() == Some(1))
        || (key == "name" && item.as_str().is_some() && item.as_str() == table.get("id").and_then(Item::as_str))
}

/// A whole number is written without a point.
fn plain(value: Value) -> Value {
    match value.as_float() {
        Some(number) if number.fract() == 0.0 && number.abs() < 9e15 => Value::from(number as i64),
        _ => value,
    }
}

/// Whether two values say the same, however they are written.
fn same(a: &Value, b: &Value) -> bool {
    let number = |v: &Value| v.as_float().or_else(|| v.as_integer().map(|i| i as f64));
    if let (Some(a), Some(b)) = (number(a), number(b)) {
        return a == b;
    }
    match (a, b) {
        (Value::String(a), Value::String(b)) => a.value() == b.value(),
        (Value::Boolean(a), Value::Boolean(b)) => a.value() == b.value(),
        (Value::Array(a), Value::Array(b)) => a.len() == b.len() && a.iter().zip(b.iter()).all(|(a, b)| same(a, b)),
        _ => false,
    }
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;
    use standards::Port;

    use super::*;
    use crate::product::every_answer;
    use crate::{Clock, Converter, Criteria, Enclosure, Environment, ProductPort, ProductSample, Slot, Spare, Supply};

    const WRITTEN: &str = r#"# Top of the page
name = "Pump controller"   # working title
model = "x1"
house_number = 12          # a key of our own
modes = ["idle", # nothing on
  "full load"]

# Supply as on the label
[supply]
voltage_v = 230.0          # nominal
frequency_hz = 50

# All interfaces, clockwise
[[ports]]
id = "mains"               # IEC inlet
kind = "ac_mains"

# the long one
[[ports]]
id = "sensor"
kind = "signal_control"
cable_length_m = 25
# end
"#;

    fn product() -> Product {
        Product::read(WRITTEN, "product.toml").unwrap().product
    }

    #[test]
    fn saying_the_same_changes_nothing() {
        assert_eq!(edited(WRITTEN, &product()).unwrap(), WRITTEN);
    }

    #[test]
    fn every_comment_outlives_edits_of_every_kind() {
        let mut changed = product();
        changed.name = "Pump controller mk 2".to_owned();
        changed.modes.push("standby".to_owned());
        changed.supply.as_mut().unwrap().voltage_v = 120.0;
        changed.ports.swap(0, 1);
        changed.ports[0].cable_length_m = Some(30.5);
        changed.ports.push(ProductPort {
            id: "earth".to_owned(),
            kind: Port::FunctionalEarth,
            ..changed.ports[1].clone()
        });
        changed.clocks.push(Clock {
            name: "cpu".to_owned(),
            frequency_hz: 16e6,
            tolerance_ppm: None,
            rise_time_s: None,
        });
        let text = edited(WRITTEN, &changed).unwrap();
        for comment in [
            "# Top of the page",
            "# working title",
            "# a key of our own",
            "# nominal",
            "# Supply as on the label",
            "# All interfaces",
            "# IEC inlet",
            "# the long one",
            "# end",
        ] {
            assert!(text.contains(comment), "{comment} is gone from\n{text}");
        }
        assert!(text.contains("house_number = 12"));
        assert!(text.contains("voltage_v = 120          # nominal"), "{text}");
        assert!(text.contains("[[clocks]]\nname = \"cpu\"\nfrequency_hz = 16000000\n"), "{text}");
        assert!(text.find("\"sensor\"") < text.find("\"mains\""), "the new order is kept:\n{text}");
    }

    #[test]
    fn the_comment_above_a_list_outlives_its_first_entry_and_the_whole_list() {
        let mut changed = product();
        changed.ports.remove(0);
        let text = edited(WRITTEN, &changed).unwrap();
        assert!(text.contains("# All interfaces") && text.contains("# the long one"), "{text}");
        changed.ports.clear();
        let text = edited(WRITTEN, &changed).unwrap();
        assert!(text.contains("# All interfaces") && !text.contains("[[ports]]"), "{text}");
    }

    #[test]
    fn line_ends_stay_as_they_are() {
        let windows = WRITTEN.replace('\n', "\r\n");
        assert_eq!(edited(&windows, &product()).unwrap(), windows);
        let mut changed = product();
        changed.name = "Fan".to_owned();
        changed.criteria.a = Some("works".to_owned());
        let text = edited(&windows, &changed).unwrap();
        assert_eq!(text.matches('\n').count(), text.matches("\r\n").count(), "{text:?}");
        assert_eq!(Product::read(&text, "p").unwrap().product, changed);
        changed.description = "two\nlines".to_owned();
        let text = edited(&windows, &changed).unwrap();
        assert_eq!(Product::read(&text, "p").unwrap().product, changed);
    }

    #[test]
    fn a_renamed_entry_keeps_its_comments_and_its_own_keys() {
        let text = WRITTEN.replace("cable_length_m = 25", "cable_length_m = 25\ncolour = \"blue\" # ours");
        let mut changed = Product::read(&text, "p").unwrap().product;
        changed.ports[1].id = "probe".to_owned();
        changed.ports[1].name = "Probe".to_owned();
        let edited_text = edited(&text, &changed).unwrap();
        assert!(edited_text.contains("# the long one\n[[ports]]\nid = \"probe\""), "{edited_text}");
        assert!(edited_text.contains("colour = \"blue\" # ours"), "{edited_text}");
        // Another kind of entry in its place is another entry.
        changed.ports[1] = ProductPort {
            kind: Port::Load,
            cable_length_m: Some(1.0),
            id: "motor".to_owned(),
            ..every_answer().ports.remove(0)
        };
        assert!(!edited(&edited_text, &changed).unwrap().contains("colour"));
    }

    #[test]
    fn new_tables_stand_where_the_file_speaks_of_them_and_leave_its_words_behind_when_they_go() {
        let template = Product::template();
        let bare = Product::read(template, "t").unwrap().product;
        let text = edited(template, &every_answer()).unwrap();
        for (heading, above, below) in [
            ("\n[supply]\n", "# SUPPLY", "# PORTS AND CABLES"),
            ("\n[[clocks]]\n", "# CLOCKS", "# SWITCHING CONVERTERS"),
            ("\n[[converters]]\n", "# SWITCHING CONVERTERS", "# HOUSING"),
            ("\n[criteria]\n", "# WHAT COUNTS AS PASSING", "# SAMPLES"),
        ] {
            let at = text.find(heading).unwrap();
            assert!(text.find(above).unwrap() < at && at < text.find(below).unwrap(), "{heading}:\n{text}");
        }
        let back = edited(&text, &bare).unwrap();
        let comments = |text: &str| text.lines().filter(|l| l.starts_with('#')).map(str::to_owned).collect::<Vec<_>>();
        for (k, (kept, was)) in comments(&back).iter().zip(&comments(template)).enumerate() {
            assert_eq!(kept, was, "comment {k} of\n{back}");
        }
        assert_eq!(comments(&back).len(), comments(template).len());
        // A commented heading in the midst of other lines must not take them over.
        let midst = "name = \"x\"\n# [supply]\nmodel = \"y\"\n[[ports]]\nid = \"p\"\n# [criteria]\nkind = \"load\"\n";
        let mut product = Product::read(midst, "t").unwrap().product;
        product.supply = every_answer().supply;
        product.criteria = every_answer().criteria;
        let text = edited(midst, &product).unwrap();
        assert_eq!(Product::read(&text, "t").unwrap().product, product);
    }

    #[test]
    fn a_value_taken_back_is_removed() {
        let mut changed = product();
        changed.ports[1].cable_length_m = None;
        changed.supply = None;
        changed.model = String::new();
        let text = edited(WRITTEN, &changed).unwrap();
        assert!(!text.contains("cable_length_m") && !text.contains("[supply]"), "{text}");
        assert!(text.contains("model = \"\""));
    }

    #[test]
    fn the_template_takes_any_product() {
        let mut changed = Product::read(Product::template(), "t").unwrap().product;
        changed.criteria.a = Some("works".to_owned());
        changed.converters.push(Converter {
            name: "flyback".to_owned(),
            frequency_hz: 65e3,
            tolerance_ppm: Some(5e4),
            topology: None,
            power_w: Some(30.0),
            duty: None,
            rise_time_s: Some(5e-8),
        });
        let text = edited(Product::template(), &changed).unwrap();
        for line in Product::template().lines().filter(|l| l.starts_with('#')) {
            assert!(text.contains(line), "{line}");
        }
    }

    fn word() -> impl Strategy<Value = String> {
        // Quotes, line ends, the comment sign and letters beyond ASCII all have to survive.
        "[a-z \"'\\\\#\\[=\né]{0,12}"
    }

    fn positive() -> impl Strategy<Value = f64> {
        prop_oneof![1e-9..1e12_f64, (1..1_000_000_i64).prop_map(|n| n as f64)]
    }

    prop_compose! {
        fn port(k: usize)(kind in 0..6_usize, cable in proptest::option::of(word()), length in proptest::option::of(positive()), screened in proptest::option::of(any::<bool>())) -> ProductPort {
            let kinds = [Port::Enclosure, Port::AcMains, Port::DcPower, Port::SignalControl, Port::WiredNetwork, Port::FunctionalEarth];
            let whole = every_answer().ports.remove(0);
            ProductPort { id: format!("p{k}"), kind: kinds[kind], name: format!("port {k}"), cable_type: cable, cable_length_m: length, screened, screen_at_far_end: None, ..whole }
        }
    }

    prop_compose! {
        fn any_product()(
            model in word(), serial in proptest::option::of(word()), modes in proptest::collection::vec(word(), 0..3),
            environment in proptest::option::of(prop_oneof![Just(Environment::Residential), Just(Environment::Industrial)]),
            top in proptest::option::of(positive()),
            supply in proptest::option::of((positive(), positive(), proptest::option::of(positive()), prop_oneof![Just(1_u8), Just(3)])),
            a in proptest::option::of(word()),
            ports in (0..4_usize).prop_flat_map(|n| (0..n).map(port).collect::<Vec<_>>()),
            clocks in proptest::collection::vec(positive(), 0..3),
            samples in 0..3_usize,
        ) -> Product {
            Product {
                name: "it".to_owned(), model, serial, modes, environment,
                highest_internal_frequency_hz: top,
                supply: supply.map(|(voltage_v, frequency_hz, current_a, phases)| Supply { voltage_v, frequency_hz, lowest_voltage_v: None, highest_voltage_v: current_a, current_a, phases, earthed: None, y_capacitance_f: current_a, x_capacitance_f: None, bleed_resistance_ohm: None }),
                criteria: Criteria { a, ..Criteria::default() },
                ports,
                clocks: clocks.into_iter().enumerate().map(|(k, frequency_hz)| Clock { name: format!("c{k}"), frequency_hz, tolerance_ppm: None, rise_time_s: Some(1e-9) }).collect(),
                samples: (0..samples).map(|k| ProductSample { id: format!("S{k}"), serial: None, description: String::new() }).collect(),
                spares: (0..samples).map(|k| Spare { name: format!("part {k}"), count: 1 + k as u32 % 2, description: String::new() }).collect(),
                discharge_points: (0..samples).map(|k| crate::DischargePoint { name: format!("screw {k}"), discharge: if k == 0 { crate::Discharge::Air } else { crate::Discharge::Contact } }).collect(),
                slots: (0..samples).map(|k| Slot { name: "same".to_owned(), length_m: 0.1, count: 1 + k as u32 }).collect(),
                enclosure: Enclosure { length_m: top, ..Enclosure::default() },
                ..Product::default()
            }
        }
    }

    proptest! {
        /// From any product to any other: the file always reads back as what was asked for (`edited` itself refuses
        /// otherwise), and stays readable for the next edit.
        #[test]
        fn any_product_can_become_any_other(first in any_product(), second in any_product()) {
            let one = edited(WRITTEN, &first).unwrap();
            let two = edited(&one, &second).unwrap();
            prop_assert_eq!(Product::read(&two, "p").unwrap().product, second.tidied());
            prop_assert!(two.contains("# Top of the page") && two.contains("# a key of our own"));
        }
    }
}
