//! The limits of IEC 61000-3-3 as data, the verdict, and the highest supply impedance of IEC 61000-3-11.

use serde::{Deserialize, Serialize};

use super::evaluate::ChangeReading;
use crate::MainsError;
use crate::flicker::FlickerReading;

/// How a published number is known.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Known {
    /// Read in published text.
    Seen,
    /// Recalled.
    Memory,
}

/// A value and how it is known.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Sourced {
    /// The number.
    pub value: f64,
    /// Its source.
    pub known: Known,
}

/// A limit of dmax for one kind of equipment.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct DmaxLimit {
    /// `plain`, `switched` or `attended`.
    pub id: String,
    /// Limit, %.
    pub percent: f64,
    /// Its source.
    pub known: Known,
    /// Which equipment.
    pub applies: String,
}

/// A supply impedance.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Impedance {
    /// Name.
    pub id: String,
    /// Resistance, ohm.
    pub r_ohm: f64,
    /// Reactance at 50 Hz, ohm.
    pub x_ohm: f64,
    /// Its source.
    pub known: Known,
    /// Where it stands.
    pub applies: String,
}

#[derive(Debug, Clone, Deserialize)]
struct Source {
    standard: String,
    edition: String,
    scope: String,
}

#[derive(Debug, Clone, Deserialize)]
struct Common {
    pst: Sourced,
    plt: Sourced,
    dc_percent: Sourced,
    tmax_threshold_percent: Sourced,
    tmax_s: Sourced,
}

#[derive(Debug, Clone, Deserialize)]
pub(super) struct ShapeTable {
    pub(super) duration_s: Vec<f64>,
    pub(super) ramp: Vec<f64>,
    pub(super) rectangle: Vec<f64>,
    pub(super) triangle: Vec<f64>,
}

#[derive(Debug, Clone, Deserialize)]
struct File {
    source: Source,
    limits: Common,
    dmax: Vec<DmaxLimit>,
    impedance: Vec<Impedance>,
    shape: ShapeTable,
}

fn file() -> File {
    toml::from_str(include_str!("../../data/voltage_change.toml")).expect("the built-in table is well formed")
}

impl ShapeTable {
    pub(super) fn built_in() -> Self {
        file().shape
    }
}

/// The limits that apply to a product.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct VoltageLimits {
    /// Standard with edition.
    pub standard: String,
    /// What it covers.
    pub scope: String,
    /// Short-term severity.
    pub pst: Sourced,
    /// Long-term severity.
    pub plt: Sourced,
    /// Difference of steady states, %.
    pub dc_percent: Sourced,
    /// Deviation above which time counts, %.
    pub tmax_threshold_percent: Sourced,
    /// Longest time above it during a change, s.
    pub tmax_s: Sourced,
    /// Largest deviation, for this kind of equipment.
    pub dmax: DmaxLimit,
}

impl VoltageLimits {
    /// The limits for a kind of equipment: `plain`, `switched` or `attended`.
    pub fn of(kind: &str) -> Result<Self, MainsError> {
        let f = file();
        let Some(dmax) = f.dmax.iter().find(|d| d.id == kind) else {
            return Err(MainsError::Setting {
                field: "equipment",
                what: format!("`{kind}`"),
                expected: f.dmax.iter().map(|d| format!("{} ({})", d.id, d.applies)).collect::<Vec<_>>().join("; "),
            });
        };
        Ok(Self {
            standard: format!("{} Ed. {}", f.source.standard, f.source.edition),
            scope: f.source.scope,
            pst: f.limits.pst,
            plt: f.limits.plt,
            dc_percent: f.limits.dc_percent,
            tmax_threshold_percent: f.limits.tmax_threshold_percent,
            tmax_s: f.limits.tmax_s,
            dmax: dmax.clone(),
        })
    }

    /// The kinds of equipment with their limits of dmax.
    pub fn dmax_table() -> Vec<DmaxLimit> {
        file().dmax
    }
}

impl Impedance {
    /// The published impedances.
    pub fn table() -> Vec<Self> {
        file().impedance
    }

    /// 0.4 + j0.25 ohm.
    pub fn reference() -> Self {
        Self::table().swap_remove(0)
    }

    /// An impedance of the user's, reactance at 50 Hz.
    pub fn own(r_ohm: f64, x_ohm: f64) -> Result<Self, MainsError> {
        if !(r_ohm.is_finite() && x_ohm.is_finite() && r_ohm >= 0.0 && x_ohm >= 0.0 && r_ohm + x_ohm > 0.0) {
            return Err(MainsError::Setting {
                field: "impedance",
                what: format!("{r_ohm} + j{x_ohm} ohm"),
                expected: "resistance and reactance of zero or more, not both zero".into(),
            });
        }
        let applies = "given".to_owned();
        Ok(Self { id: "own".into(), r_ohm, x_ohm, known: Known::Seen, applies })
    }

    /// Inductance, H: the reactance is given at 50 Hz.
    pub fn inductance_h(&self) -> f64 {
        self.x_ohm / (std::f64::consts::TAU * 50.0)
    }

    /// Modulus at 50 Hz, ohm.
    pub fn modulus_ohm(&self) -> f64 {
        self.r_ohm.hypot(self.x_ohm)
    }
}

/// One quantity against its limit.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Row {
    /// `pst`, `plt`, `dc_percent`, `dmax_percent`, `tmax_s`.
    pub quantity: String,
    /// What was measured.
    pub value: f64,
    /// The limit.
    pub limit: f64,
    /// Value over limit.
    pub share: f64,
    /// Whether it was judged, and how: `None` where the record cannot decide.
    pub passes: Option<bool>,
    /// Source of the limit.
    pub known: Known,
    /// Why it was not judged, or what to keep in mind.
    pub note: Option<String>,
}

/// All quantities against their limits.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Verdict {
    /// The quantities.
    pub rows: Vec<Row>,
    /// True where every quantity that could be judged passes.
    pub passes: bool,
    /// True where every quantity could be judged.
    pub complete: bool,
    /// In one sentence.
    pub sentence: String,
}

fn row(quantity: &str, value: f64, limit: Sourced, judged: bool, note: Option<String>) -> Row {
    Row {
        quantity: quantity.into(),
        value,
        limit: limit.value,
        share: value / limit.value,
        // A value on the limit meets it; the last digits of arithmetic do not decide.
        passes: judged.then_some(value <= limit.value * (1.0 + 1e-9)),
        known: limit.known,
        note,
    }
}

/// Holds readings against limits. Quantities that the record is too short for are shown and not judged.
pub fn judge(limits: &VoltageLimits, flicker: &FlickerReading, change: &ChangeReading) -> Verdict {
    let mut rows = Vec::new();
    let short = (!flicker.pst_complete)
        .then(|| format!("over {:.1} s instead of 600 s: shown, not judged", flicker.duration_s));
    rows.push(row("pst", flicker.pst, limits.pst, flicker.pst_complete, short));
    let part = (!flicker.plt_complete).then(|| {
        format!(
            "{} of 12 intervals: what it comes to if the equipment goes on like this; shown, not judged",
            flicker.plt_intervals
        )
    });
    rows.push(row("plt", flicker.plt, limits.plt, flicker.plt_complete, part));
    let steady = change.steady_states > 0;
    let none = (!steady).then(|| "the voltage is never steady for a second: 0 by definition".to_owned());
    rows.push(row("dc_percent", change.dc_percent, limits.dc_percent, true, none));
    let spread = (!steady)
        .then(|| "no steady state to count from: highest less lowest half-cycle value of the record".to_owned());
    let dmax = Sourced { value: limits.dmax.percent, known: limits.dmax.known };
    rows.push(row("dmax_percent", change.dmax_percent, dmax, true, spread));
    rows.push(row("tmax_s", change.tmax_s, limits.tmax_s, true, None));
    let passes = rows.iter().all(|r| r.passes != Some(false));
    let complete = rows.iter().all(|r| r.passes.is_some());
    let worst = rows.iter().filter(|r| r.passes.is_some()).max_by(|a, b| a.share.total_cmp(&b.share)).map_or_else(
        String::new,
        |r| {
            format!(
                "{} is {} of at most {}",
                name(&r.quantity),
                shown(&r.quantity, r.value),
                shown(&r.quantity, r.limit)
            )
        },
    );
    let open: Vec<&str> = rows.iter().filter(|r| r.passes.is_none()).map(|r| name(&r.quantity)).collect();
    let mut sentence = if passes {
        format!("Passes what it was judged on; nearest: {worst}.")
    } else {
        format!("Does not pass: {worst}.")
    };
    if complete && passes {
        sentence = format!("Passes; nearest: {worst}.");
    }
    if !open.is_empty() {
        sentence.push_str(&format!(" The record is too short to judge {}.", open.join(" and ")));
    }
    Verdict { rows, passes, complete, sentence }
}

fn name(quantity: &str) -> &str {
    match quantity {
        "pst" => "Pst",
        "plt" => "Plt",
        "dc_percent" => "dc",
        "dmax_percent" => "dmax",
        "tmax_s" => "Tmax",
        other => other,
    }
}

fn shown(quantity: &str, value: f64) -> String {
    match quantity {
        "dc_percent" | "dmax_percent" => format!("{value:.2} %"),
        "tmax_s" => format!("{:.0} ms", value * 1000.0),
        _ => format!("{value:.3}"),
    }
}

/// Readings taken on one impedance, as they would be on another: all go with the modulus (IEC 61000-3-11).
pub fn normalised_to(value: f64, test_ohm: f64, reference_ohm: f64) -> f64 {
    value * reference_ohm / test_ohm
}

/// Highest supply impedance (modulus, ohm) at which the equipment may be connected: IEC 61000-3-11, from readings on
/// the reference impedance. The severities go with the power 3/2, from the cubic law by which several like pieces of
/// equipment add up.
pub fn highest_impedance_ohm(
    limits: &VoltageLimits,
    reference_ohm: f64,
    pst: f64,
    plt: f64,
    dc_percent: f64,
    dmax_percent: f64,
) -> f64 {
    [
        limits.dmax.percent / dmax_percent,
        limits.dc_percent.value / dc_percent,
        (limits.pst.value / pst).powf(1.5),
        (limits.plt.value / plt).powf(1.5),
    ]
    .into_iter()
    .fold(f64::INFINITY, f64::min)
        * reference_ohm
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Worked from the rule by hand: factors 1.143, 1.320, 0.675, 0.732.
    #[test]
    fn highest_impedance() {
        let limits = VoltageLimits::of("plain").unwrap();
        let z = Impedance::reference().modulus_ohm();
        assert!((z - 0.4717).abs() < 1e-4);
        let highest = highest_impedance_ohm(&limits, z, 1.3, 0.80, 2.5, 3.5);
        assert!((highest / z - 0.675).abs() < 0.0005, "{highest}");
    }

    #[test]
    fn kinds_of_equipment_have_their_dmax() {
        let of = |k| VoltageLimits::of(k).unwrap().dmax.percent;
        assert_eq!((of("plain"), of("switched"), of("attended")), (4.0, 6.0, 7.0));
        assert!(VoltageLimits::of("x").unwrap_err().to_string().contains("attended"));
        assert!(Impedance::own(-1.0, 0.2).is_err());
        assert!((Impedance::reference().inductance_h() - 0.795_775e-3).abs() < 1e-8);
    }
}
