//! Chain files: `chains/*.toml` name what stood between the product and the instrument, element by element. The shape is
//! described in `docs/chains.md`.

use std::path::{Path, PathBuf};

use emission::{Chain, ChainElement, Correction, ElementKind};
use quantity::{AtStep, LogTable, Unit};
use toml::{Table, Value};

use crate::factor::{FactorChoices, Quantity, open_factor};
use crate::touchstone::open_touchstone;

/// A chain file could not be read.
#[derive(Debug, thiserror::Error)]
pub enum ChainFileError {
    /// The operating system refused.
    #[error("{}: {source}", path.display())]
    Io {
        /// The file.
        path: PathBuf,
        /// Its reason.
        source: std::io::Error,
    },
    /// The text is not TOML.
    #[error("{}, line {line}: {what}; expected TOML", path.display())]
    Toml {
        /// The file.
        path: PathBuf,
        /// Counted from 1.
        line: usize,
        /// What is wrong.
        what: String,
    },
    /// A field is at fault.
    #[error("{}{element}, field `{field}`: {what}; expected {expected}", path.display())]
    Field {
        /// The file.
        path: PathBuf,
        /// `, element 2 "cable"`, or nothing for a field of the file itself.
        element: String,
        /// The field.
        field: String,
        /// What stands there.
        what: String,
        /// What should.
        expected: String,
    },
    /// The elements do not fit each other.
    #[error("{}: {source}", path.display())]
    Chain {
        /// The file.
        path: PathBuf,
        /// Which element, and why.
        source: Box<emission::ChainError>,
    },
}

const TOP_FIELDS: [&str; 4] = ["name", "order", "impedance_ohm", "element"];
const ELEMENT_FIELDS: [&str; 23] = [
    "name",
    "kind",
    "loss_db",
    "gain_db",
    "factor_db",
    "factor_db_per_m",
    "transfer_impedance_dbohm",
    "transfer_impedance_ohm",
    "from_hz",
    "to_hz",
    "table",
    "column",
    "quantity",
    "frequency_unit",
    "touchstone",
    "parameter",
    "halve",
    "unit_in",
    "unit_out",
    "calibrated",
    "due",
    "source",
    "note",
];

/// Where a fault is.
struct Place<'a> {
    path: &'a Path,
    element: String,
}

impl Place<'_> {
    fn fault(&self, field: &str, what: impl Into<String>, expected: impl Into<String>) -> ChainFileError {
        ChainFileError::Field {
            path: self.path.to_owned(),
            element: self.element.clone(),
            field: field.to_owned(),
            what: what.into(),
            expected: expected.into(),
        }
    }

    fn known(&self, table: &Table, fields: &[&str]) -> Result<(), ChainFileError> {
        match table.keys().find(|k| !fields.contains(&k.as_str())) {
            Some(key) => Err(self.fault(key, "not a field of a chain", format!("one of {}", fields.join(", ")))),
            None => Ok(()),
        }
    }

    fn text<'t>(&self, table: &'t Table, field: &str) -> Result<Option<&'t str>, ChainFileError> {
        match table.get(field) {
            None => Ok(None),
            Some(Value::String(text)) => Ok(Some(text)),
            Some(other) => Err(self.fault(field, format!("`{other}`"), "text in quotes")),
        }
    }

    fn number(&self, table: &Table, field: &str) -> Result<Option<f64>, ChainFileError> {
        let value = match table.get(field) {
            None => return Ok(None),
            Some(Value::Float(v)) => *v,
            Some(Value::Integer(v)) => *v as f64,
            Some(other) => return Err(self.fault(field, format!("`{other}`"), "a number")),
        };
        if value.is_finite() { Ok(Some(value)) } else { Err(self.fault(field, format!("{value}"), "a finite number")) }
    }

    /// A date, in quotes or as TOML's own.
    fn date(&self, table: &Table, field: &str) -> Result<Option<String>, ChainFileError> {
        let text = match table.get(field) {
            None => return Ok(None),
            Some(Value::String(text)) => text.clone(),
            Some(Value::Datetime(date)) => date.to_string(),
            Some(other) => return Err(self.fault(field, format!("`{other}`"), "a date such as 2026-03-02")),
        };
        if is_date(&text) {
            Ok(Some(text))
        } else {
            Err(self.fault(field, format!("`{text}`"), "a date such as 2026-03-02"))
        }
    }
}

fn is_date(text: &str) -> bool {
    let parts: Vec<&str> = text.split('-').collect();
    let [year, month, day] = parts[..] else { return false };
    let digits =
        |t: &str, n: usize| (t.len() == n && t.bytes().all(|b| b.is_ascii_digit())).then(|| t.parse::<u32>().ok());
    let (Some(Some(y)), Some(Some(m)), Some(Some(d))) = (digits(year, 4), digits(month, 2), digits(day, 2)) else {
        return false;
    };
    let leap = y % 4 == 0 && (y % 100 != 0 || y % 400 == 0);
    let days = match m {
        1 | 3 | 5 | 7 | 8 | 10 | 12 => 31,
        4 | 6 | 9 | 11 => 30,
        2 if leap => 29,
        2 => 28,
        _ => return false,
    };
    (1..=days).contains(&d)
}

/// Reads a chain file and the tables and network files it names (their paths start at the chain file's folder).
///
/// In the file the elements stand in the order of the signal, from the product to the receiver (`order =
/// "from_product"`, the default), or the other way round (`"from_receiver"`). Where nothing is said and units fit only the
/// other way, the other way is taken.
pub fn read_chain(path: &Path) -> Result<Chain, ChainFileError> {
    let text = std::fs::read_to_string(path).map_err(|source| ChainFileError::Io { path: path.to_owned(), source })?;
    let file: Table = text.parse().map_err(|e: toml::de::Error| {
        let start = e.span().map_or(0, |s| s.start.min(text.len()));
        let line = text.as_bytes()[..start].split(|b| *b == b'\n').count();
        ChainFileError::Toml { path: path.to_owned(), line, what: e.message().to_owned() }
    })?;
    let place = Place { path, element: String::new() };
    place.known(&file, &TOP_FIELDS)?;
    let fallback = path.file_stem().map(|s| s.to_string_lossy().into_owned()).unwrap_or_default();
    let name = place.text(&file, "name")?.map_or(fallback, str::to_owned);
    let impedance_ohm = place.number(&file, "impedance_ohm")?;
    if impedance_ohm.is_some_and(|z| z <= 0.0) {
        return Err(place.fault("impedance_ohm", "not positive", "an impedance in ohms"));
    }
    let list = match file.get("element") {
        Some(Value::Array(list)) if !list.is_empty() => list.as_slice(),
        Some(Value::Array(_)) | None => return Err(place.fault("element", "nothing", "at least one [[element]]")),
        Some(_) => return Err(place.fault("element", "a single table", "[[element]], with two brackets")),
    };
    let mut elements = Vec::new();
    for (i, value) in list.iter().enumerate() {
        let Value::Table(table) = value else {
            return Err(place.fault("element", format!("`{value}`"), "a table with name and kind"));
        };
        let shown = table.get("name").and_then(Value::as_str).map(|n| format!(" \"{n}\"")).unwrap_or_default();
        let place = Place { path, element: format!(", element {}{shown}", i + 1) };
        elements.push(element(&place, table, path.parent().unwrap_or_else(|| Path::new("")))?);
    }
    let order = place.text(&file, "order")?;
    let from_receiver = match order {
        None | Some("from_product") => false,
        Some("from_receiver") => true,
        Some(other) => return Err(place.fault("order", format!("`{other}`"), "from_product or from_receiver")),
    };
    if !from_receiver {
        elements.reverse();
    }
    let mut chain = Chain { name, elements, impedance_ohm };
    if let Err(first) = chain.check() {
        chain.elements.reverse();
        if order.is_some() || chain.check().is_err() {
            return Err(ChainFileError::Chain { path: path.to_owned(), source: Box::new(first) });
        }
    }
    Ok(chain)
}

fn element(place: &Place<'_>, table: &Table, folder: &Path) -> Result<ChainElement, ChainFileError> {
    place.known(table, &ELEMENT_FIELDS)?;
    let name = place.text(table, "name")?.ok_or_else(|| place.fault("name", "nothing", "a name"))?;
    let kind_text = place.text(table, "kind")?.ok_or_else(|| {
        place.fault("kind", "nothing", format!("one of {}", ElementKind::ALL.map(ElementKind::key).join(", ")))
    })?;
    let kind = ElementKind::ALL.into_iter().find(|k| k.key() == kind_text).ok_or_else(|| {
        place.fault(
            "kind",
            format!("`{kind_text}`"),
            format!("one of {}", ElementKind::ALL.map(ElementKind::key).join(", ")),
        )
    })?;

    // Exactly one way to say the correction.
    let mut ways: Vec<&str> = ["table", "touchstone"].into_iter().filter(|f| table.contains_key(*f)).collect();
    ways.extend(Quantity::ALL.map(Quantity::key).into_iter().filter(|f| table.contains_key(*f)));
    let all_ways = || format!("table, touchstone, {}", Quantity::ALL.map(Quantity::key).join(", "));
    let way = match ways[..] {
        [one] => one,
        [] => return Err(place.fault("loss_db", "no correction", format!("one of {}", all_ways()))),
        [_, second, ..] => {
            return Err(place.fault(second, format!("a second correction beside `{}`", ways[0]), "only one"));
        }
    };
    for (field, belongs) in [
        ("column", "table"),
        ("quantity", "table"),
        ("frequency_unit", "table"),
        ("parameter", "touchstone"),
        ("halve", "touchstone"),
    ] {
        if table.contains_key(field) && way != belongs {
            return Err(place.fault(field, format!("stands beside `{way}`"), format!("`{belongs}`")));
        }
    }
    let (from_hz, to_hz) = (place.number(table, "from_hz")?, place.number(table, "to_hz")?);
    if (from_hz.is_some() || to_hz.is_some()) && matches!(way, "table" | "touchstone") {
        return Err(place.fault("from_hz", "a range beside a table, which has its own", "it beside a constant only"));
    }
    let mut note = place.text(table, "note")?.map(str::to_owned);
    let (correction, quantity, origin) = match way {
        "table" => {
            let (table_db, quantity, origin) = from_table(place, table, folder)?;
            (Correction::TableDb(table_db), Some(quantity), origin)
        }
        "touchstone" => {
            let (table_db, origin, remarks) = from_touchstone(place, table, folder)?;
            if !remarks.is_empty() {
                note = Some(note.into_iter().chain(remarks).collect::<Vec<_>>().join("; "));
            }
            (Correction::TableDb(table_db), None, origin)
        }
        _ => {
            let quantity = Quantity::ALL.into_iter().find(|q| q.key() == way).unwrap_or(Quantity::LossDb);
            let value = place.number(table, way)?.unwrap_or_default();
            let db = quantity
                .correction_db(value)
                .ok_or_else(|| place.fault(way, format!("{value}"), "a positive impedance"))?;
            let correction = match (from_hz, to_hz) {
                (None, None) => Correction::ConstantDb(db),
                (Some(from), Some(to)) => Correction::TableDb(
                    LogTable::constant(from, to, db)
                        .map_err(|e| place.fault("from_hz", e.to_string(), "two rising frequencies in Hz"))?,
                ),
                _ => return Err(place.fault("to_hz", "only one end of the range", "from_hz and to_hz")),
            };
            (correction, Some(quantity), format!("constant, {way} = {value}"))
        }
    };
    fits(place, kind, quantity, way)?;
    let unit = |field: &str| -> Result<Option<Unit>, ChainFileError> {
        place
            .text(table, field)?
            .map(|text| text.parse::<Unit>().map_err(|e| place.fault(field, e.to_string(), "a unit of level")))
            .transpose()
    };
    let usual = kind.usual_units();
    let source = match place.text(table, "source")? {
        Some(said) => format!("{said} ({origin})"),
        None => origin,
    };
    let (calibrated, due) = (place.date(table, "calibrated")?, place.date(table, "due")?);
    if let (Some(from), Some(to)) = (&calibrated, &due)
        && to < from
    {
        return Err(place.fault("due", format!("{to}, before the calibration of {from}"), "a later date"));
    }
    Ok(ChainElement {
        name: name.to_owned(),
        kind,
        correction,
        unit_in: unit("unit_in")?.unwrap_or(usual.0),
        unit_out: unit("unit_out")?.unwrap_or(usual.1),
        source,
        calibrated,
        due,
        note,
    })
}

/// An antenna has a factor in dB/m and a current probe a transfer impedance, and nothing else has.
fn fits(place: &Place<'_>, kind: ElementKind, quantity: Option<Quantity>, way: &str) -> Result<(), ChainFileError> {
    use Quantity::{FactorDb, FactorDbPerM, GainDb, LossDb, TransferImpedanceDbohm, TransferImpedanceOhm};
    let allowed: &[Quantity] = match kind {
        ElementKind::Antenna => &[FactorDbPerM, FactorDb],
        ElementKind::CurrentProbe => &[TransferImpedanceDbohm, TransferImpedanceOhm],
        ElementKind::NearFieldProbe | ElementKind::Other => &Quantity::ALL,
        ElementKind::AbsorbingClamp => &[FactorDb],
        _ => &[LossDb, GainDb, FactorDb],
    };
    let names = || allowed.iter().map(|q| q.key()).collect::<Vec<_>>().join(" or ");
    match quantity {
        Some(q) if allowed.contains(&q) => Ok(()),
        None if allowed.contains(&LossDb) => Ok(()),
        Some(q) => Err(place.fault(way, format!("{} for {}", q.key(), kind.key()), names())),
        None => Err(place.fault(way, format!("a network file for {}", kind.key()), names())),
    }
}

fn from_table(place: &Place<'_>, table: &Table, folder: &Path) -> Result<(LogTable, Quantity, String), ChainFileError> {
    let file = place.text(table, "table")?.unwrap_or_default();
    let quantity = place
        .text(table, "quantity")?
        .map(|text| {
            Quantity::ALL.into_iter().find(|q| q.key() == text).ok_or_else(|| {
                place.fault("quantity", format!("`{text}`"), Quantity::ALL.map(Quantity::key).join(", "))
            })
        })
        .transpose()?;
    let frequency_unit_hz = place
        .text(table, "frequency_unit")?
        .map(|text| match text.to_lowercase().as_str() {
            "hz" => Ok(1.0),
            "khz" => Ok(1e3),
            "mhz" => Ok(1e6),
            "ghz" => Ok(1e9),
            _ => Err(place.fault("frequency_unit", format!("`{text}`"), "Hz, kHz, MHz or GHz")),
        })
        .transpose()?;
    let choices =
        FactorChoices { column: place.text(table, "column")?.map(str::to_owned), quantity, frequency_unit_hz };
    let read = open_factor(&folder.join(file), &choices)
        .map_err(|e| place.fault("table", e.to_string(), "a table `frequency_hz,loss_db` or the like"))?;
    Ok((read.correction, read.quantity, format!("{file}, column {}", read.column)))
}

fn from_touchstone(
    place: &Place<'_>,
    table: &Table,
    folder: &Path,
) -> Result<(LogTable, String, Vec<String>), ChainFileError> {
    let file = place.text(table, "touchstone")?.unwrap_or_default();
    let network = open_touchstone(&folder.join(file))
        .map_err(|e| place.fault("touchstone", e.to_string(), "a network file .s1p, .s2p, …"))?;
    let mut remarks = network.notes.clone();
    let ports = |text: &str| -> Option<(usize, usize)> {
        let digits = text.strip_prefix(['s', 'S'])?;
        let (to, from) = digits.split_once('_').or_else(|| (digits.len() == 2).then(|| digits.split_at(1)))?;
        Some((to.parse().ok()?, from.parse().ok()?))
    };
    let expected = "s21, s12, s11, … (s10_2 beyond nine ports)";
    let (to, from) = match place.text(table, "parameter")? {
        Some(text) => ports(text).ok_or_else(|| place.fault("parameter", format!("`{text}`"), expected))?,
        None if network.ports == 2 => (2, 1),
        None => {
            return Err(place.fault(
                "parameter",
                format!("nothing, and {file} has {} port(s)", network.ports),
                expected,
            ));
        }
    };
    let mut loss = network.loss_table(to, from).map_err(|e| place.fault("parameter", e.to_string(), expected))?;
    let halve = match table.get("halve") {
        None => false,
        Some(Value::Boolean(b)) => *b,
        Some(other) => return Err(place.fault("halve", format!("`{other}`"), "true or false")),
    };
    let mut origin = format!("{file}, parameter s{to}{from}");
    if to == from && !halve {
        remarks.push(format!("s{to}{from} is a reflection: its return loss is used as it stands"));
    }
    if halve {
        let points = loss.points().iter().map(|p| (p.0, 0.5 * p.1)).collect();
        loss = LogTable::new(points, loss.interpolation(), AtStep::Higher)
            .map_err(|e| place.fault("touchstone", e.to_string(), "rising frequencies"))?;
        origin.push_str(", halved (there and back)");
    }
    Ok((loss, origin, remarks))
}
