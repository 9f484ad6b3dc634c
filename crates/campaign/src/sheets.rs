//! Run sheets from the plan: every planned immunity test as steps, in an order that saves the only sample.

mod order;
mod places;

use std::collections::BTreeMap;

use immunity::sheet::{self, EsdPlan, Sheet, SheetError, Step, SurgeGroup, SweepPlan};
use immunity::surge::{Part, SequenceWear};
use serde::Serialize;
use standards::{Known, Phenomenon, Port};

use crate::answers::{Answers, Question};
use crate::duration::{Pace, duration};
use crate::plan::{Plan, PlannedTest};
use crate::stimuli::{self, DAMPED_LEVEL, HOLD_S, RING_REST_S, SET_DIP_S};

pub use order::{SampleOrder, SamplePlace, Wear, sample_order};

/// Where a product stands in use.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum Stand {
    /// On a table or in the hand.
    Table,
    /// On the floor.
    Floor,
    /// On a wall or ceiling; tested on the table.
    Wall,
}

/// A protection part at a port.
#[derive(Debug, Clone, PartialEq)]
pub struct Protector {
    /// As on the drawing.
    pub name: String,
    /// Id of the port.
    pub port: String,
    /// Between line and earth, not between lines.
    pub to_earth: bool,
    /// Its figures.
    pub part: Part,
}

/// What the run sheets need of the product beside its [`Answers`].
#[derive(Debug, Clone, PartialEq, Default)]
pub struct SheetFacts {
    /// Points of contact discharge.
    pub contact_points: Vec<String>,
    /// Points of air discharge.
    pub air_points: Vec<String>,
    /// Length, width and height of the housing, m.
    pub size_m: Option<[f64; 3]>,
    /// Where it stands.
    pub stand: Option<Stand>,
    /// Work cycle, s.
    pub cycle_s: Option<f64>,
    /// Mains frequency, Hz.
    pub mains_hz: Option<f64>,
    /// Lowest and highest rated voltage, V, where the label gives a range.
    pub range_v: Option<[f64; 2]>,
    /// Protection parts.
    pub protectors: Vec<Protector>,
    /// Type of cable by port.
    pub cable_types: BTreeMap<String, String>,
}

/// What is wished beyond the plan.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct SheetWishes {
    /// Tests that no row asks for: [`Phenomenon::RingWave`], [`Phenomenon::DampedWave`], [`Phenomenon::ProximityField`].
    pub extra: Vec<Phenomenon>,
    /// The magnetic field with direct current as well.
    pub direct_field: bool,
}

/// A row of the plan that a sheet carries out.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct SheetTest {
    /// Id of the plan's test; empty where the sheet was wished for.
    pub id: String,
    /// Id of the port.
    pub port: String,
    /// Name of the port.
    pub port_name: String,
    /// The standard that asks, with the clause.
    pub asked_by: String,
    /// Performance criterion.
    pub criterion: Option<String>,
    /// How the row is known.
    pub known: Known,
    /// How long by the plan, s.
    pub planned_s: f64,
}

/// One sheet: a kind of test at all ports that are planned for it.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct RunSheet {
    /// `esd`, `radiated`, `burst`, `surge`, `conducted`, `magnetic`, `dips`, `variation`, `ring-wave`, `damped-wave`, `proximity`.
    pub test: String,
    /// For people.
    pub title: String,
    /// Rows of the plan it carries out.
    pub tests: Vec<SheetTest>,
    /// The steps.
    pub sheet: Sheet,
    /// All of it, s.
    pub duration_s: f64,
    /// What was taken because product.toml says nothing.
    pub assumed: Vec<String>,
    /// What to answer in product.toml so that it need not be taken.
    pub questions: Vec<Question>,
    /// Place in the order that saves the sample, from 1.
    pub place: usize,
    /// Why there.
    pub why_there: String,
    /// Wear of the protection parts by this sheet, for surges.
    pub wear: Vec<Wear>,
}

/// A sheet that cannot be made from the plan.
#[derive(Debug, thiserror::Error)]
pub enum SheetsError {
    /// The steps.
    #[error("{test}: {source}")]
    Sheet {
        /// Which test.
        test: String,
        /// Why.
        source: SheetError,
    },
    /// The stress on a protection part.
    #[error("protection part {part}: {source}")]
    Surge {
        /// Which part.
        part: String,
        /// Why.
        source: Box<immunity::surge::SurgeError>,
    },
}

/// Kinds of sheets in the order that saves the sample: which phenomena, what they are called, and why they stand there.
const KINDS: [(&str, &str, &[Phenomenon], &str); 11] = [
    (
        "radiated",
        "Radio-frequency field",
        &[Phenomenon::RfField],
        "It leaves the sample whole, and the chamber is the place that is booked longest ahead.",
    ),
    (
        "conducted",
        "Conducted radio frequency",
        &[Phenomenon::ConductedRf],
        "It leaves the sample whole; cables stay as they were for the field.",
    ),
    (
        "magnetic",
        "Power-frequency magnetic field",
        &[Phenomenon::PowerFrequencyMagneticField],
        "It leaves the sample whole.",
    ),
    ("proximity", "Magnetic near field", &[Phenomenon::ProximityField], "It leaves the sample whole."),
    (
        "variation",
        "Variation of the supply voltage",
        &[Phenomenon::SupplyVoltageVariation],
        "Within the rated range; before the dips, which start from it.",
    ),
    (
        "dips",
        "Dips and interruptions",
        &[Phenomenon::VoltageDip, Phenomenon::ShortInterruption],
        "They seldom break anything, but the current when the mains returns may take a fuse or an inrush limiter along.",
    ),
    ("burst", "Fast transient bursts", &[Phenomenon::Burst], "They upset much and seldom damage: millijoules a pulse."),
    (
        "damped-wave",
        "Damped oscillatory waves",
        &[Phenomenon::DampedWave],
        "Kilovolts from 50 to 200 ohm: less energy than a ring wave or a surge.",
    ),
    (
        "ring-wave",
        "Ring waves",
        &[Phenomenon::RingWave],
        "From 12 or 30 ohm at 100 kHz: they stress insulation more than protection parts.",
    ),
    (
        "esd",
        "Electrostatic discharge",
        &[Phenomenon::ElectrostaticDischarge],
        "It may hurt parts that nobody sees, so everything that must be shown on a sound sample is shown before; a full check of \
         the function follows it.",
    ),
    (
        "surge",
        "Surges",
        &[Phenomenon::Surge],
        "Joules: the test most likely to destroy, and it ages every varistor. Last, at rising level, the paths that stress the \
         protection parts least first.",
    ),
];

struct Making<'a> {
    answers: &'a Answers,
    pace: &'a Pace,
    facts: &'a SheetFacts,
    wishes: &'a SheetWishes,
    assumed: Vec<String>,
    questions: Vec<Question>,
}

impl Making<'_> {
    fn assume(&mut self, what: impl Into<String>, field: &str, question: &str) {
        let what = what.into();
        if !self.assumed.contains(&what) {
            self.assumed.push(what);
        }
        let question = Question { field: field.to_owned(), text: question.to_owned() };
        if !field.is_empty() && !self.questions.contains(&question) {
            self.questions.push(question);
        }
    }

    fn earthed(&mut self, mains: bool) -> bool {
        if mains && self.answers.earthed.is_none() {
            self.assume(
                "Joined to protective earth: the paths from line to earth are in.",
                "supply.earthed",
                "is the product joined to protective earth?",
            );
        }
        self.answers.earthed.unwrap_or(true)
    }

    fn phases(&self) -> u8 {
        self.answers.phases.unwrap_or(1)
    }

    fn mains_hz(&mut self) -> f64 {
        self.facts.mains_hz.filter(|f| *f > 0.0).unwrap_or_else(|| {
            self.assume("50 Hz mains.", "supply.frequency_hz", "at which mains frequency does it run?");
            50.0
        })
    }
}

/// The sheets of every planned immunity test, in the order that saves the sample; tests wished for come with them.
///
/// # Errors
/// A sweep or rest in the plan or pace that makes no sense, or a protection part whose circuit cannot be solved.
pub fn run_sheets(
    plan: &Plan,
    answers: &Answers,
    pace: &Pace,
    facts: &SheetFacts,
    wishes: &SheetWishes,
) -> Result<Vec<RunSheet>, SheetsError> {
    let mut out = Vec::new();
    for (key, title, phenomena, why) in KINDS {
        let mut tests: Vec<PlannedTest> =
            plan.tests.iter().filter(|t| phenomena.contains(&t.phenomenon)).cloned().collect();
        let planned = tests.len();
        if tests.is_empty() && phenomena.iter().any(|p| wishes.extra.contains(p)) {
            tests = places::wished(phenomena[0], answers);
        }
        if tests.is_empty() {
            continue;
        }
        let mut m = Making { answers, pace, facts, wishes, assumed: Vec::new(), questions: Vec::new() };
        let (sheet, wear) = m.sheet(key, &tests)?;
        if planned == 0 {
            m.assumed
                .insert(0, "No row of the plan asks for this test; it is made because it was wished for.".to_owned());
        }
        let (earthed, phases) = (answers.earthed.unwrap_or(true), m.phases());
        let tests = tests
            .iter()
            .map(|t| SheetTest {
                id: if planned > 0 { t.id.clone() } else { String::new() },
                port: t.port.clone(),
                port_name: t.port_name.clone(),
                asked_by: if planned > 0 { t.clause.clone() } else { String::new() },
                criterion: t.criterion.clone(),
                known: t.known,
                planned_s: duration(t, pace, earthed, phases).total_s,
            })
            .collect();
        out.push(RunSheet {
            test: key.to_owned(),
            title: title.to_owned(),
            tests,
            duration_s: sheet.duration_s(),
            sheet,
            assumed: m.assumed,
            questions: m.questions,
            place: out.len() + 1,
            why_there: why.to_owned(),
            wear,
        });
    }
    Ok(out)
}

impl Making<'_> {
    /// All tests of one kind on one sheet, port by port as the plan lists them.
    fn sheet(&mut self, key: &str, tests: &[PlannedTest]) -> Result<(Sheet, Vec<Wear>), SheetsError> {
        let fault = |source| SheetsError::Sheet { test: key.to_owned(), source };
        let mut all = Sheet::empty(key)
            .ok_or(SheetError { field: "test", found: key.to_owned(), expected: "a built-in method" })
            .map_err(fault)?;
        let mut wear = Vec::new();
        for test in tests {
            let one = match test.phenomenon {
                Phenomenon::RfField => self.field(test).map_err(fault)?,
                Phenomenon::ConductedRf => self.cable(test).map_err(fault)?,
                Phenomenon::Burst => self.burst(test),
                Phenomenon::ElectrostaticDischarge => self.discharge(test),
                Phenomenon::PowerFrequencyMagneticField => self.magnetic(test),
                Phenomenon::VoltageDip | Phenomenon::ShortInterruption => self.dip(test),
                Phenomenon::SupplyVoltageVariation => {
                    let percents: Vec<f64> =
                        ["lower_voltage", "upper_voltage"].iter().filter_map(|q| stimuli::figure(test, q)).collect();
                    let percents = if percents.is_empty() { vec![85.0, 110.0] } else { percents };
                    sheet::variation(&percents, self.answers.mains_v.unwrap_or(230.0), HOLD_S)
                }
                Phenomenon::Surge | Phenomenon::RingWave => {
                    let groups = self.groups(test);
                    let (groups, found) = order::in_order(test, groups, self.pace, self.facts)?;
                    wear.extend(found);
                    if test.phenomenon == Phenomenon::Surge {
                        sheet::surge_in_order("surge", "surge", &groups, 5, self.pace.surge_rest_s).map_err(fault)?
                    } else {
                        sheet::ring_waves(&groups, 5, RING_REST_S).map_err(fault)?
                    }
                }
                Phenomenon::DampedWave => stimuli::damped(test, &test.port_name, self.pace.port_change_s, DAMPED_LEVEL),
                Phenomenon::ProximityField => self.near(test),
                // No other phenomenon is among the kinds.
                _ => continue,
            };
            let steps = one.steps.into_iter().map(|s| Step {
                port: Some(test.port.clone()),
                test: Some(test.id.clone()),
                criterion: test.criterion.clone(),
                ..s
            });
            all.append(steps.collect());
        }
        Ok((all, wear))
    }

    fn cycle(&mut self) {
        if self.facts.cycle_s.is_none() {
            let dwell = self.pace.dwell_s;
            self.assume(
                format!("The product's work cycle is not longer than the dwell of {dwell} s."),
                "cycle_s",
                "how long is the product's work cycle (until everything it does has happened once)?",
            );
        }
    }

    fn swept(&self, test: &PlannedTest, places: Vec<String>, settle_s: f64, change_s: f64) -> SweepPlan {
        SweepPlan {
            places,
            bands: stimuli::bands(test),
            modulations: stimuli::modulations(test),
            step: stimuli::STEP,
            dwell_s: stimuli::dwell(test, self.pace),
            settle_s,
            cycle_s: 0.0,
            change_s,
        }
    }

    fn field(&mut self, test: &PlannedTest) -> Result<Sheet, SheetError> {
        self.cycle();
        if self.facts.stand.is_none() {
            self.stand();
        }
        let faces = places::faces(self.pace.faces);
        if self.pace.faces == 4 {
            self.assume(
                "Four faces are turned to the antenna. A product that is used in any position shows its top and underside too: \
                 faces = 6 under [pace] in laboratory.toml.",
                "",
                "",
            );
        }
        sheet::radiated(&self.swept(test, faces, self.pace.field_settle_s, self.pace.face_turn_s))
    }

    fn cable(&mut self, test: &PlannedTest) -> Result<Sheet, SheetError> {
        self.cycle();
        let (how, why) = places::injection(test, self.answers, self.phases());
        if let Some((what, field, question)) = why {
            self.assume(what, &field, &question);
        }
        let place = format!("{}, {how}", test.port_name);
        sheet::conducted(&self.swept(test, vec![place], self.pace.cable_settle_s, 2.0 * self.pace.port_change_s))
    }

    fn burst(&mut self, test: &PlannedTest) -> Sheet {
        let how = if matches!(test.port_kind, Port::AcMains | Port::DcPower | Port::FunctionalEarth) {
            "coupling network, all lines together"
        } else {
            "capacitive clamp"
        };
        let kv = stimuli::figure(test, "peak_open_circuit_voltage").unwrap_or(1.0);
        let repetitions = stimuli::repetitions_khz(test, self.pace);
        if repetitions.len() > 1 {
            self.assume(
                "Both repetition rates are run: the standard leaves the choice, and products stumble over one and not the other. One \
                 alone: burst_repetitions_khz under [pace] in laboratory.toml.",
                "",
                "",
            );
        }
        let place = format!("{}, {how}", test.port_name);
        sheet::burst(&[(place, kv)], &repetitions, self.pace.split_bursts, self.pace.port_change_s)
    }

    fn stand(&mut self) {
        self.assume(
            "It stands on a table.",
            "enclosure.stands",
            "where does it stand in use: on a table, on the floor, on a wall?",
        );
    }

    fn discharge(&mut self, test: &PlannedTest) -> Sheet {
        let named = |names: &[String], wanted: u32, word: &str| -> Vec<String> {
            if names.is_empty() {
                (1..=wanted).map(|k| format!("{word} point {k}: ____________________")).collect()
            } else {
                names.to_vec()
            }
        };
        let (f, p) = (self.facts, self.pace);
        let contact = named(&f.contact_points, p.contact_points, "contact");
        let air = named(&f.air_points, p.air_points, "air");
        if f.contact_points.is_empty() && f.air_points.is_empty() {
            self.assume(
                format!("{} contact and {} air points, to be named on the spot.", p.contact_points, p.air_points),
                "discharge_points",
                "which points can be touched, by contact (metal) or through air (no metal)?",
            );
        }
        if f.stand.is_none() {
            self.stand();
        }
        let mains = self.answers.ports.iter().any(|p| p.kind == Port::AcMains);
        let earthed = self.earthed(mains);
        let (contact_kv, air_kv) = stimuli::discharge_kv(test, p);
        let mut s = sheet::esd(&EsdPlan {
            contact_points: contact,
            air_points: air,
            contact_kv,
            air_kv,
            faces: p.plane_faces,
            horizontal: p.horizontal_plane,
            count: 10,
            interval_s: p.discharge_interval_s,
            move_s: p.point_move_s,
        });
        if !earthed {
            s.set_up.push(
                "the product has no earth: remove its charge before every discharge by a lead with 470 kΩ at each end, or a brush"
                    .to_owned(),
            );
        }
        s
    }

    fn magnetic(&mut self, test: &PlannedTest) -> Sheet {
        let level = stimuli::figure(test, "magnetic_field").unwrap_or(3.0);
        let mut frequencies = vec![self.mains_hz()];
        if self.wishes.direct_field {
            frequencies.push(0.0);
        }
        let minutes = self.pace.magnetic_s.max(self.pace.dwell_s) / 60.0;
        sheet::magnetic(level, &frequencies, minutes, self.pace.coil_turn_s)
    }

    fn dip(&mut self, test: &PlannedTest) -> Sheet {
        let residual = stimuli::figure(test, "residual_voltage").unwrap_or(0.0);
        let rated = self.answers.mains_v.unwrap_or_else(|| {
            self.assume("230 V mains.", "supply.voltage_v", "at which voltage is it rated?");
            230.0
        });
        if self.facts.range_v.is_none() && self.pace.dip_voltages_v.is_empty() {
            self.assume(
                format!("Rated for {rated} V alone, not for a range: dips at this voltage."),
                "supply.lowest_voltage_v",
                "does the label give a range of voltages, and from where to where?",
            );
        }
        let voltages = if self.pace.dip_voltages_v.is_empty() { vec![rated] } else { self.pace.dip_voltages_v.clone() };
        let length_s = stimuli::dip_s(test, self.mains_hz());
        sheet::voltage_dip(residual, length_s, &voltages, &self.pace.dip_angles_deg, Some(SET_DIP_S))
    }

    fn near(&mut self, test: &PlannedTest) -> Sheet {
        if self.facts.size_m.is_none() {
            let [l, w, h] = stimuli::USUAL_BOX_M;
            self.assume(
                format!("A housing of {l} m × {w} m × {h} m."),
                "enclosure.length_m",
                "what are the outer dimensions of the housing?",
            );
        }
        self.cycle();
        stimuli::proximity(self.facts.size_m, stimuli::dwell(test, self.pace))
    }

    fn groups(&mut self, test: &PlannedTest) -> Vec<order::Group> {
        let earthed = self.earthed(test.port_kind == Port::AcMains);
        let shots = stimuli::shots(test);
        if test.phenomenon == Phenomenon::Surge && !test.lower_levels && !self.pace.surge_from_lowest {
            self.assume(
                "The planned level alone. The basic standard wants the lower levels passed too; to step up through them, which shows \
                 trouble before the hardest pulse and costs two to three times the pulses and the wear: surge_from_lowest = true \
                 under [pace] in laboratory.toml.",
                "",
                "",
            );
        }
        let cable = self.facts.cable_types.get(&test.port).map_or("", String::as_str);
        let mut out = Vec::new();
        for way in stimuli::ways(test, self.pace, earthed, self.phases()) {
            let (coupling, how, asked) = places::surge_coupling(test, &way, self.answers, cable);
            if let Some((what, field, question)) = asked {
                self.assume(what, &field, &question);
            }
            for kv in &way.levels_kv {
                let group = SurgeGroup {
                    place: format!("{}, {}{how}", test.port_name, way.name),
                    kv: *kv,
                    shots: shots.clone(),
                    change_s: None,
                };
                out.push(order::Group { group, coupling, to_earth: way.to_earth });
            }
        }
        out
    }
}

/// Wear of a part by a sequence, as [`Wear`] tells it.
pub(crate) fn wear_of(protector: &Protector, port_name: &str, sequence: SequenceWear) -> Wear {
    Wear { part: protector.name.clone(), port: protector.port.clone(), port_name: port_name.to_owned(), sequence }
}
