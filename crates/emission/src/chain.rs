use quantity::{LogTable, MixError, Unit};
use serde::{Deserialize, Serialize};

use crate::Trace;
use crate::trace::TraceError;

/// What an element of the measuring path is.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum ElementKind {
    /// Artificial mains or asymmetric network: its voltage division factor.
    ArtificialNetwork,
    /// Pulse limiter: its loss.
    PulseLimiter,
    /// Attenuator: its loss.
    Attenuator,
    /// Cable: its loss.
    Cable,
    /// Preamplifier: minus its gain.
    Preamplifier,
    /// Antenna: its factor, dB/m.
    Antenna,
    /// Current probe: minus its transfer impedance, dBΩ.
    CurrentProbe,
    /// Voltage probe: its division factor.
    VoltageProbe,
    /// Absorbing clamp: its factor.
    AbsorbingClamp,
    /// Near-field probe: its factor.
    NearFieldProbe,
    /// Filter: its loss.
    Filter,
    /// Anything else.
    Other,
}

impl ElementKind {
    /// All kinds.
    pub const ALL: [Self; 12] = [
        Self::ArtificialNetwork,
        Self::PulseLimiter,
        Self::Attenuator,
        Self::Cable,
        Self::Preamplifier,
        Self::Antenna,
        Self::CurrentProbe,
        Self::VoltageProbe,
        Self::AbsorbingClamp,
        Self::NearFieldProbe,
        Self::Filter,
        Self::Other,
    ];

    /// Name in files and JSON.
    pub const fn key(self) -> &'static str {
        match self {
            Self::ArtificialNetwork => "artificial_network",
            Self::PulseLimiter => "pulse_limiter",
            Self::Attenuator => "attenuator",
            Self::Cable => "cable",
            Self::Preamplifier => "preamplifier",
            Self::Antenna => "antenna",
            Self::CurrentProbe => "current_probe",
            Self::VoltageProbe => "voltage_probe",
            Self::AbsorbingClamp => "absorbing_clamp",
            Self::NearFieldProbe => "near_field_probe",
            Self::Filter => "filter",
            Self::Other => "other",
        }
    }

    /// Units an element of this kind usually stands between: level at its output (towards the receiver), level at
    /// its input (towards the product).
    pub const fn usual_units(self) -> (Unit, Unit) {
        match self {
            Self::Antenna => (Unit::DbUv, Unit::DbUvPerM),
            Self::CurrentProbe => (Unit::DbUv, Unit::DbUa),
            Self::AbsorbingClamp => (Unit::DbUv, Unit::DbPw),
            _ => (Unit::DbUv, Unit::DbUv),
        }
    }
}

/// Decibels an element adds to the level read behind it, to give the level before it.
#[derive(Debug, Clone, PartialEq, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum Correction {
    /// The same at every frequency, dB.
    ConstantDb(f64),
    /// Against frequency, dB; nothing outside the table.
    TableDb(LogTable),
}

impl Correction {
    /// The correction in dB at a frequency in Hz; nothing outside the table.
    pub fn at(&self, frequency_hz: f64) -> Option<f64> {
        match self {
            Self::ConstantDb(db) => Some(*db),
            Self::TableDb(table) => table.at(frequency_hz),
        }
    }

    /// First and last frequency (Hz), where it has any.
    pub fn range_hz(&self) -> Option<(f64, f64)> {
        match self {
            Self::ConstantDb(_) => None,
            Self::TableDb(table) => Some(table.range_hz()),
        }
    }
}

/// One thing that stood between the product and the instrument.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct ChainElement {
    /// Its name.
    pub name: String,
    /// What it is.
    pub kind: ElementKind,
    /// Decibels added to the level: positive for a loss or a factor, negative for a gain.
    pub correction: Correction,
    /// Unit of the level on the side of the receiver.
    pub unit_in: Unit,
    /// Unit of the level on the side of the product.
    pub unit_out: Unit,
    /// Where the correction comes from (file, certificate, data sheet).
    pub source: String,
    /// Date of the calibration, ISO 8601.
    pub calibrated: Option<String>,
    /// Date the calibration runs out, ISO 8601.
    pub due: Option<String>,
    /// Anything else, e.g. which parameter of a network file was used.
    pub note: Option<String>,
}

/// What stood between the product and the instrument, from the instrument towards the product.
#[derive(Debug, Clone, PartialEq, Default, Serialize)]
pub struct Chain {
    /// Its name.
    pub name: String,
    /// The elements, the one at the instrument first.
    pub elements: Vec<ChainElement>,
    /// Impedance of the instrument's input in Ω, in which a power level becomes a voltage; 50 Ω where nothing is said.
    pub impedance_ohm: Option<f64>,
}

/// A range of frequencies without a level, and the element to blame.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Gap {
    /// First frequency of the trace without a level, Hz.
    pub from_hz: f64,
    /// Last frequency of the trace without a level, Hz.
    pub to_hz: f64,
    /// Name of the element whose range ends.
    pub element: String,
}

/// A corrected trace and where nothing could be said.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Applied {
    /// Levels at the product, NaN in the gaps.
    pub trace: Trace,
    /// Where the trace was measured but an element of the chain is not known.
    pub gaps: Vec<Gap>,
}

/// Why a chain does not fit.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
pub enum ChainError {
    /// Two neighbours do not speak the same unit.
    #[error("chain `{chain}`, element {number} `{element}`: it takes {expected} but gets {found}; {hint}")]
    Unit {
        /// Name of the chain.
        chain: String,
        /// Element counted from 1 at the instrument.
        number: usize,
        /// Name of the element.
        element: String,
        /// The unit the element takes.
        expected: Unit,
        /// The unit that reaches it.
        found: Unit,
        /// What would help.
        hint: String,
    },
    /// A correction is no number.
    #[error("chain `{chain}`, element {number} `{element}`: correction {value_db} dB; expected a finite number")]
    NotFinite {
        /// Name of the chain.
        chain: String,
        /// Element counted from 1 at the instrument.
        number: usize,
        /// Name of the element.
        element: String,
        /// As given.
        value_db: f64,
    },
    /// The trace's unit is not known.
    #[error("the trace has no unit, and chain `{chain}` takes {expected}: say which unit the levels have")]
    NoUnit {
        /// Name of the chain.
        chain: String,
        /// The unit the first element takes.
        expected: Unit,
    },
    /// The trace itself is at fault.
    #[error(transparent)]
    Trace(#[from] TraceError),
    /// The units of trace and chain need a factor between them.
    #[error("chain `{chain}`: {source}")]
    Mix {
        /// Name of the chain.
        chain: String,
        /// What is missing.
        source: MixError,
    },
}

impl Chain {
    /// Checks that every element takes the unit its neighbour gives, and that constants are finite.
    pub fn check(&self) -> Result<(), ChainError> {
        let mut reaching: Option<Unit> = None;
        for (i, element) in self.elements.iter().enumerate() {
            if let Correction::ConstantDb(value_db) = element.correction
                && !value_db.is_finite()
            {
                return Err(ChainError::NotFinite {
                    chain: self.name.clone(),
                    number: i + 1,
                    element: element.name.clone(),
                    value_db,
                });
            }
            if let Some(found) = reaching
                && found != element.unit_in
            {
                return Err(self.unit_error(i, found));
            }
            reaching = Some(element.unit_out);
        }
        Ok(())
    }

    /// Unit of the level at the instrument, where there is an element.
    pub fn unit_in(&self) -> Option<Unit> {
        self.elements.first().map(|e| e.unit_in)
    }

    /// Unit of the level at the product, where there is an element.
    pub fn unit_out(&self) -> Option<Unit> {
        self.elements.last().map(|e| e.unit_out)
    }

    /// Frequencies (Hz) where every element has a correction; `None` without a table, an empty range (first above
    /// last) where the tables share nothing.
    pub fn range_hz(&self) -> Option<(f64, f64)> {
        let ranges = self.elements.iter().filter_map(|e| e.correction.range_hz());
        ranges.reduce(|a, b| (a.0.max(b.0), a.1.min(b.1)))
    }

    /// The whole correction in dB at a frequency in Hz; nothing where an element has none.
    pub fn correction_at(&self, frequency_hz: f64) -> Option<f64> {
        self.elements.iter().map(|e| e.correction.at(frequency_hz)).sum()
    }

    /// The trace at the product: every element's correction added to every level. A trace in dBm (or dBpW) is first
    /// turned into the voltage across the trace's own impedance, else the chain's, else 50 Ω; the history says which.
    /// Outside an element's range there is no level: NaN in the trace, and a named gap.
    ///
    /// # Errors
    /// Units that do not meet, naming the element; a trace at fault.
    pub fn apply(&self, trace: &Trace) -> Result<Applied, ChainError> {
        trace.validate()?;
        self.check()?;
        let Some(first) = self.elements.first() else {
            return Ok(Applied { trace: trace.clone(), gaps: Vec::new() });
        };
        let found =
            trace.unit.ok_or_else(|| ChainError::NoUnit { chain: self.name.clone(), expected: first.unit_in })?;
        let mut out = if found == first.unit_in {
            trace.clone()
        } else if matches!(found, Unit::Dbm | Unit::DbPw) && first.unit_in == Unit::DbUv {
            trace.to_unit(first.unit_in, Some(self.impedance_ohm.unwrap_or(50.0)))?
        } else {
            return Err(self.unit_error(0, found));
        };

        let mut gaps: Vec<Gap> = Vec::new();
        for element in &self.elements {
            let corrections: Vec<f64> = match element.correction {
                Correction::ConstantDb(db) => vec![db; out.frequency_hz.len()],
                Correction::TableDb(ref table) => {
                    out.frequency_hz.iter().map(|&f| table.at(f).unwrap_or(f64::NAN)).collect()
                }
            };
            let mut open: Option<Gap> = None;
            for (&frequency_hz, correction) in out.frequency_hz.iter().zip(&corrections) {
                if correction.is_nan() {
                    open.get_or_insert_with(|| Gap {
                        from_hz: frequency_hz,
                        to_hz: frequency_hz,
                        element: element.name.clone(),
                    })
                    .to_hz = frequency_hz;
                } else {
                    gaps.extend(open.take());
                }
            }
            gaps.extend(open);
            for column in &mut out.columns {
                for (level, correction) in column.level_db.iter_mut().zip(&corrections) {
                    *level += correction;
                }
                for (floor, correction) in column.floor_db.iter_mut().zip(&corrections) {
                    *floor += correction;
                }
            }
            out.history.push(describe(element));
        }
        out.unit = self.unit_out();
        for gap in &gaps {
            out.history.push(format!(
                "no level from {} to {}: outside the range of `{}`",
                crate::words::frequency(gap.from_hz),
                crate::words::frequency(gap.to_hz),
                gap.element
            ));
        }
        Ok(Applied { trace: out, gaps })
    }

    fn unit_error(&self, index: usize, found: Unit) -> ChainError {
        let element = &self.elements[index];
        let before = index.checked_sub(1).map_or_else(
            || "the instrument's reading".to_owned(),
            |i| format!("element {index} `{}`", self.elements[i].name),
        );
        let hint = match found.offset_to(element.unit_in, None) {
            Err(MixError::Missing { missing, .. }) => format!("{missing} between it and {before}"),
            _ => format!("convert what {before} gives"),
        };
        ChainError::Unit {
            chain: self.name.clone(),
            number: index + 1,
            element: element.name.clone(),
            expected: element.unit_in,
            found,
            hint,
        }
    }
}

/// The line an element leaves in a trace's history.
fn describe(element: &ChainElement) -> String {
    let correction = match &element.correction {
        Correction::ConstantDb(db) => format!("{db:+.2} dB"),
        Correction::TableDb(table) => {
            let values = table.points().iter().map(|p| p.1);
            let low = values.clone().fold(f64::INFINITY, f64::min);
            let high = values.fold(f64::NEG_INFINITY, f64::max);
            let (from, to) = table.range_hz();
            format!(
                "{low:+.2} dB to {high:+.2} dB over {} to {}",
                crate::words::frequency(from),
                crate::words::frequency(to)
            )
        }
    };
    let units = if element.unit_in == element.unit_out {
        String::new()
    } else {
        format!(", {} to {}", element.unit_in, element.unit_out)
    };
    format!("{}: {correction}{units} ({})", element.name, element.source)
}
