//! Parts as data: the built-in library and the user's own files, in one form.

use std::sync::LazyLock;

use serde::Deserialize;
use serde::de::DeserializeOwned;
use toml::{Table, Value};

use crate::RemedyError;
use crate::parts::{Capacitor, CapacitorClass, CommonModeChoke, Fit, Inductor, Model, Part, Resistor, engineering};
use crate::series::Series;

static BUILT_IN: LazyLock<Library> = LazyLock::new(|| {
    let mut library = Library::default();
    // Part of the program; a test parses it.
    library
        .add_toml(include_str!("../data/library.toml"), "built-in parts")
        .unwrap_or_else(|error| panic!("built-in parts: {error}"));
    library
});

/// A set of parts.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct Library {
    parts: Vec<Part>,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct File {
    #[serde(default)]
    part: Vec<Table>,
    #[serde(default)]
    family: Vec<Table>,
}

const KINDS: &str = "capacitor, inductor, common_mode_choke, ferrite, varistor, avalanche_clamp, gas_tube, resistor, \
                     inlet_filter, measured";

/// Fields that every part has.
#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct Common {
    id: String,
    #[serde(default)]
    name: String,
    kind: String,
    #[serde(default = "usual_tolerance")]
    tolerance: f64,
    #[serde(default)]
    volume_mm3: f64,
    #[serde(default)]
    cost_index: f64,
    #[serde(default = "usual_fit")]
    fit: Fit,
}

fn usual_tolerance() -> f64 {
    0.2
}

fn usual_fit() -> Fit {
    Fit::BoardChange
}

const COMMON: [&str; 7] = ["id", "name", "kind", "tolerance", "volume_mm3", "cost_index", "fit"];

/// The fields that only families have, with what makes their members.
#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct Family {
    series: Series,
    from: f64,
    to: f64,
    #[serde(default)]
    volume_per_unit: f64,
    #[serde(default)]
    cost_per_unit: f64,
    class: Option<CapacitorClass>,
    rated_v: Option<f64>,
    esr_ohm: Option<f64>,
    esl_h: Option<f64>,
    energy_j: Option<f64>,
    saturation_over_rated: Option<f64>,
    leakage_share: Option<f64>,
    inductance_per_turn2_h: Option<f64>,
    area_m2: Option<f64>,
    saturation_t: Option<f64>,
    ohm_per_root_h: Option<f64>,
    winding_f: Option<f64>,
    loss_per_h: Option<f64>,
    rated_w: Option<f64>,
}

fn split(mut table: Table, place: &str) -> Result<(Common, Table), RemedyError> {
    let mut common = Table::new();
    for key in COMMON {
        if let Some(value) = table.remove(key) {
            common.insert(key.to_owned(), value);
        }
    }
    let name = common.get("id").and_then(Value::as_str).unwrap_or("?").to_owned();
    let common: Common = take(common, &format!("{place}, part `{name}`"))?;
    Ok((common, table))
}

fn take<T: DeserializeOwned>(table: Table, place: &str) -> Result<T, RemedyError> {
    table.try_into().map_err(|e: toml::de::Error| {
        RemedyError::file(place, e.message(), "the fields of the kind, in SI units (100 nF is 100e-9)")
    })
}

fn model(kind: &str, fields: Table, place: &str) -> Result<Model, RemedyError> {
    Ok(match kind {
        "capacitor" => Model::Capacitor(take(fields, place)?),
        "inductor" => Model::Inductor(take(fields, place)?),
        "common_mode_choke" => Model::CommonModeChoke(take(fields, place)?),
        "ferrite" => Model::Ferrite(take(fields, place)?),
        "varistor" => Model::Varistor(take(fields, place)?),
        "avalanche_clamp" => Model::AvalancheClamp(take(fields, place)?),
        "gas_tube" => Model::GasTube(take(fields, place)?),
        "resistor" => Model::Resistor(take(fields, place)?),
        "inlet_filter" => Model::InletFilter(take(fields, place)?),
        "measured" => Model::Measured(take(fields, place)?),
        other => return Err(RemedyError::file(place, format!("kind `{other}`"), &format!("one of {KINDS}"))),
    })
}

/// One part from its TOML table; `place` names the file.
pub fn part_from_table(table: Table, place: &str) -> Result<Part, RemedyError> {
    let (common, fields) = split(table, place)?;
    let here = format!("{place}, part `{}`", common.id);
    let model = model(&common.kind, fields, &here)?;
    let name = if common.name.is_empty() { common.id.clone() } else { common.name };
    let part = Part {
        id: common.id,
        name,
        model,
        tolerance: common.tolerance,
        volume_mm3: common.volume_mm3,
        cost_index: common.cost_index,
        fit: common.fit,
    };
    part.check()?;
    Ok(part)
}

fn members(table: Table, place: &str) -> Result<Vec<Part>, RemedyError> {
    let (common, fields) = split(table, place)?;
    let here = format!("{place}, family `{}`", common.id);
    let family: Family = take(fields, &here)?;
    let values = family.series.between(family.from, family.to);
    if values.is_empty() {
        return Err(RemedyError::file(
            here,
            format!("from {} to {}", family.from, family.to),
            "a range with preferred values in it",
        ));
    }
    let need = |field: &str, value: Option<f64>| {
        value.ok_or_else(|| RemedyError::file(here.as_str(), format!("{field} is missing"), "a number, in SI units"))
    };
    let mut parts = Vec::with_capacity(values.len());
    for v in values {
        let (model, unit) = match common.kind.as_str() {
            "capacitor" => {
                let class = family.class.ok_or_else(|| {
                    RemedyError::file(here.as_str(), "class is missing", "x1, x2, y1, y2, film or ceramic")
                })?;
                let c = Capacitor {
                    capacitance_f: v,
                    esr_ohm: need("esr_ohm", family.esr_ohm)?,
                    esl_h: need("esl_h", family.esl_h)?,
                    class,
                    rated_v: need("rated_v", family.rated_v)?,
                };
                (Model::Capacitor(c), "F")
            }
            "inductor" => {
                let rated_a = (need("energy_j", family.energy_j)? / v).sqrt();
                let l = Inductor {
                    inductance_h: v,
                    resistance_ohm: need("ohm_per_root_h", family.ohm_per_root_h)? * v.sqrt(),
                    winding_f: need("winding_f", family.winding_f)?,
                    loss_ohm: need("loss_per_h", family.loss_per_h)? * v,
                    rated_a,
                    saturation_a: rated_a * need("saturation_over_rated", family.saturation_over_rated)?,
                };
                (Model::Inductor(l), "H")
            }
            "common_mode_choke" => {
                let turns =
                    (v / need("inductance_per_turn2_h", family.inductance_per_turn2_h)?).sqrt().round().max(1.0);
                let leakage_h = need("leakage_share", family.leakage_share)? * v;
                let c = CommonModeChoke {
                    inductance_h: v,
                    leakage_h,
                    resistance_ohm: need("ohm_per_root_h", family.ohm_per_root_h)? * v.sqrt(),
                    winding_f: need("winding_f", family.winding_f)?,
                    loss_ohm: need("loss_per_h", family.loss_per_h)? * v,
                    leakage_winding_f: 0.8 * need("winding_f", family.winding_f)?,
                    // The leakage closes through air: less loss for each henry than the core has.
                    leakage_loss_ohm: 30.0 * need("loss_per_h", family.loss_per_h)? * leakage_h,
                    rated_a: (need("energy_j", family.energy_j)? / v).sqrt(),
                    turns: turns as u32,
                    area_m2: need("area_m2", family.area_m2)?,
                    saturation_t: need("saturation_t", family.saturation_t)?,
                };
                (Model::CommonModeChoke(c), "H")
            }
            "resistor" => {
                let r = Resistor {
                    resistance_ohm: v,
                    lead_h: 0.0,
                    parallel_f: 0.0,
                    rated_w: need("rated_w", family.rated_w)?,
                };
                (Model::Resistor(r), "Ω")
            }
            other => {
                return Err(RemedyError::file(
                    here,
                    format!("kind `{other}`"),
                    "capacitor, inductor, common_mode_choke or resistor: other kinds are listed one by one as [[part]]",
                ));
            }
        };
        let text = engineering(v, unit);
        let part = Part {
            id: format!("{}-{}", common.id, text.replace(' ', "").replace('µ', "u").replace('Ω', "").to_lowercase()),
            name: format!("{}, {text}", common.name),
            model,
            tolerance: common.tolerance,
            volume_mm3: common.volume_mm3 + family.volume_per_unit * v,
            cost_index: common.cost_index + family.cost_per_unit * v,
            fit: common.fit,
        };
        part.check()?;
        parts.push(part);
    }
    Ok(parts)
}

impl Library {
    /// The parts built into the program: invented and generic.
    pub fn built_in() -> &'static Self {
        &BUILT_IN
    }

    /// All parts.
    pub fn all(&self) -> &[Part] {
        &self.parts
    }

    /// The part of this id.
    pub fn get(&self, id: &str) -> Option<&Part> {
        self.parts.iter().find(|p| p.id == id)
    }

    /// Adds one part; one of the same id is replaced.
    pub fn add(&mut self, part: Part) -> Result<(), RemedyError> {
        part.check()?;
        self.parts.retain(|p| p.id != part.id);
        self.parts.push(part);
        Ok(())
    }

    /// Adds the `[[part]]` and `[[family]]` tables of a file; all of it or nothing. A part whose id is already there is
    /// replaced: the user's own wins.
    pub fn add_toml(&mut self, text: &str, place: &str) -> Result<(), RemedyError> {
        let file: File = toml::from_str(text)
            .map_err(|e| RemedyError::file(place, e.to_string().trim_end(), "[[part]] and [[family]] tables"))?;
        let mut fresh = Vec::new();
        for table in file.family {
            fresh.extend(members(table, place)?);
        }
        for table in file.part {
            fresh.push(part_from_table(table, place)?);
        }
        for (i, part) in fresh.iter().enumerate() {
            if fresh[..i].iter().any(|p| p.id == part.id) {
                return Err(RemedyError::file(
                    place,
                    format!("part `{}` stands twice", part.id),
                    "one entry for each id",
                ));
            }
        }
        self.parts.retain(|p| fresh.iter().all(|f| f.id != p.id));
        self.parts.append(&mut fresh);
        Ok(())
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_built_in_parts_are_sound() {
        let library = Library::built_in();
        assert!(library.all().len() > 80, "{}", library.all().len());
        for p in library.all() {
            p.check().unwrap();
        }
        let x = library.get("x2-470nf").expect("470 nF X2");
        assert!(matches!(&x.model, Model::Capacitor(c) if (c.capacitance_f - 470e-9).abs() < 1e-15));
    }

    /// Of every approved capacitor the rated voltage keeps within what its class allows (IEC 60384-14, from memory).
    #[test]
    fn ratings_keep_to_their_class() {
        for p in Library::built_in().all() {
            if let Model::Capacitor(c) = &p.model {
                let approval = c.class.approval().expect("mains parts only");
                assert!(approval.rated_v.is_none_or(|v| c.rated_v <= v), "{}", p.id);
            }
        }
    }

    #[test]
    fn a_users_file_wins_and_is_checked() {
        let mut library = Library::built_in().clone();
        let own = "[[part]]\nid = \"x2-470nf\"\nname = \"from the drawer\"\nkind = \"capacitor\"\nclass = \"x2\"\n\
                   capacitance_f = 470e-9\nesr_ohm = 0.02\nesl_h = 12e-9\nrated_v = 310.0\n";
        library.add_toml(own, "mine.toml").unwrap();
        assert_eq!(library.get("x2-470nf").unwrap().name, "from the drawer");
        let bad = own.replace("470e-9", "-470e-9");
        let error = library.add_toml(&bad, "mine.toml").unwrap_err().to_string();
        assert!(error.contains("part `x2-470nf`: capacitance_f"), "{error}");
        let unknown = own.replace("esl_h", "esl_nh");
        let error = library.add_toml(&unknown, "mine.toml").unwrap_err().to_string();
        assert!(error.contains("mine.toml, part `x2-470nf`") && error.contains("esl_nh"), "{error}");
        let kind = own.replace("\"capacitor\"", "\"condenser\"");
        assert!(library.add_toml(&kind, "mine.toml").unwrap_err().to_string().contains("kind `condenser`"));
    }
}
