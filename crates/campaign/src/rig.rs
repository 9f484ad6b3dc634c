//! Rigs and the laboratory: what a test stands on, what it costs to set up, when it is open.

use std::sync::LazyLock;

use serde::{Deserialize, Serialize};
use standards::Phenomenon;

/// One rig.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Rig {
    /// Short name.
    pub id: String,
    /// Name for people.
    pub name: String,
    /// What is measured or applied on it.
    pub phenomena: Vec<Phenomenon>,
    /// Setting up and clearing, minutes.
    pub setup_min: u32,
    /// Minutes of that which need no sample and can be done while another rig is at work.
    #[serde(default)]
    pub without_sample_min: u32,
    /// Nobody works on it alone: the second person stays, and only a third prepares another rig meanwhile.
    #[serde(default)]
    pub never_alone: bool,
    /// Where it stands: rigs of the same place are not up at once. Empty: a place of its own.
    #[serde(default)]
    pub place: String,
    /// Earliest order class of its tests; see [`order_class`].
    pub order: u8,
    /// What to bring for it.
    #[serde(default)]
    pub bring: Vec<String>,
    /// What to beware of.
    #[serde(default)]
    pub caution: String,
}

/// A laboratory: rigs, hours, prices.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(default, deny_unknown_fields)]
pub struct Laboratory {
    /// Name for people.
    pub name: String,
    /// Opens, minutes after midnight.
    pub opens_min: u32,
    /// Closes, minutes after midnight.
    pub closes_min: u32,
    /// Breaks: from and to, minutes after midnight.
    pub breaks_min: Vec<[u32; 2]>,
    /// Price of half a day.
    pub half_day_price: f64,
    /// Currency, for people.
    pub currency: String,
    /// Most days that can be had.
    pub days: u32,
    /// A rig left in the evening stands as it was in the morning.
    pub rig_kept_overnight: bool,
    /// People who work at the product's tests: with two, one prepares the next rig while the other tests.
    pub staff: u32,
    /// Price of half a day of each further person.
    pub staff_half_day_price: f64,
    /// Shortest stretch in which one person alone, at a test that runs by itself, prepares another rig, minutes.
    pub shortest_rest_min: f64,
    /// Its rigs; the built-in ones where none are named.
    #[serde(rename = "rig")]
    pub rigs: Vec<Rig>,
}

#[derive(Deserialize)]
struct RigFile {
    rig: Vec<Rig>,
}

static RIGS: LazyLock<Vec<Rig>> = LazyLock::new(|| {
    // The file is part of the program and every test parses it.
    let file: RigFile =
        toml::from_str(include_str!("../data/rigs.toml")).unwrap_or_else(|e| panic!("built-in rigs: {e}"));
    file.rig
});

impl Default for Laboratory {
    fn default() -> Self {
        Self {
            name: "laboratory".to_owned(),
            opens_min: 8 * 60 + 30,
            closes_min: 17 * 60 + 30,
            breaks_min: vec![[12 * 60 + 30, 13 * 60 + 15]],
            half_day_price: 900.0,
            currency: "EUR".to_owned(),
            days: 4,
            rig_kept_overnight: false,
            staff: 1,
            staff_half_day_price: 0.0,
            shortest_rest_min: 5.0,
            rigs: RIGS.clone(),
        }
    }
}

/// A laboratory that cannot be used.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[error("laboratory: {what}; expected {expected}")]
pub struct LaboratoryError {
    /// What was found.
    pub what: String,
    /// What was expected.
    pub expected: String,
}

impl Laboratory {
    /// Reads a `laboratory.toml`; what it leaves out is the default.
    pub fn read(text: &str) -> Result<Self, LaboratoryError> {
        let lab: Self = toml::from_str(text).map_err(|e| LaboratoryError {
            what: e.to_string().trim_end().to_owned(),
            expected: "fields as in the written laboratory.toml".to_owned(),
        })?;
        lab.check()?;
        Ok(lab)
    }

    /// Refuses hours that leave no time and prices that are none.
    pub fn check(&self) -> Result<(), LaboratoryError> {
        let refuse = |what: String, expected: &str| Err(LaboratoryError { what, expected: expected.to_owned() });
        if self.opens_min >= self.closes_min || self.closes_min > 24 * 60 {
            return refuse(
                format!("opens_min {} and closes_min {}", self.opens_min, self.closes_min),
                "minutes after midnight, opening before closing",
            );
        }
        let mut last = self.opens_min;
        for [from, to] in &self.breaks_min {
            if *from < last || to <= from || *to > self.closes_min {
                return refuse(format!("break from {from} to {to}"), "breaks in order, inside the opening hours");
            }
            last = *to;
        }
        if !(self.half_day_price.is_finite() && self.half_day_price >= 0.0) {
            return refuse(format!("half_day_price {}", self.half_day_price), "a price of 0 or above");
        }
        if !(1..=60).contains(&self.days) {
            return refuse(format!("days {}", self.days), "1 to 60 days");
        }
        if !(1..=9).contains(&self.staff) {
            return refuse(format!("staff {}", self.staff), "1 to 9 people");
        }
        for (name, value) in
            [("staff_half_day_price", self.staff_half_day_price), ("shortest_rest_min", self.shortest_rest_min)]
        {
            if !(value.is_finite() && value >= 0.0) {
                return refuse(format!("{name} {value}"), "a number of 0 or above");
            }
        }
        if let Some(rig) = self.rigs.iter().find(|r| r.without_sample_min > r.setup_min) {
            return refuse(
                format!("rig {}: without_sample_min {}", rig.id, rig.without_sample_min),
                "at most the rig's setup_min",
            );
        }
        if let Some(p) = self.missing() {
            return refuse(format!("no rig for {}", p.name()), "a [[rig]] for every phenomenon, or no [[rig]] at all");
        }
        Ok(())
    }

    fn missing(&self) -> Option<Phenomenon> {
        RIGS.iter().flat_map(|r| r.phenomena.iter().copied()).find(|p| self.rig_of(*p).is_none())
    }

    /// Which rig a phenomenon stands on.
    pub fn rig_of(&self, phenomenon: Phenomenon) -> Option<usize> {
        self.rigs.iter().position(|r| r.phenomena.contains(&phenomenon))
    }

    /// Working minutes of a day.
    pub fn capacity_min(&self) -> u32 {
        let breaks: u32 = self.breaks_min.iter().map(|[a, b]| b - a).sum();
        (self.closes_min - self.opens_min).saturating_sub(breaks)
    }

    /// The clock time, minutes after midnight, after so many working minutes. At a break, `end` gives the time before it
    /// and not the one after.
    pub fn clock_min(&self, worked_min: u32, end: bool) -> u32 {
        let mut clock = self.opens_min + worked_min;
        for [from, to] in &self.breaks_min {
            if clock > *from || (clock == *from && !end) {
                clock += to - from;
            }
        }
        clock
    }
}

/// Order of tests on one sample (common practice): emission first because a part hurt later changes it, then immunity that
/// leaves the sample whole, then what may break it, surges last.
pub const fn order_class(phenomenon: Phenomenon) -> u8 {
    match phenomenon {
        Phenomenon::ConductedDisturbance
        | Phenomenon::DisturbancePower
        | Phenomenon::RadiatedDisturbance
        | Phenomenon::HarmonicCurrent
        | Phenomenon::VoltageChangeFlicker => 0,
        Phenomenon::RfField
        | Phenomenon::ConductedRf
        | Phenomenon::PowerFrequencyMagneticField
        | Phenomenon::ProximityField
        | Phenomenon::VoltageDip
        | Phenomenon::ShortInterruption
        | Phenomenon::SupplyVoltageVariation => 1,
        Phenomenon::Burst | Phenomenon::DampedWave | Phenomenon::RingWave | Phenomenon::ElectrostaticDischarge => 2,
        Phenomenon::Surge => 3,
    }
}
