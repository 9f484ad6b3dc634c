//! What was answered about a product, and what a condition makes of it.

use serde::{Deserialize, Serialize};
use standards::{Condition, Family, Place, Port};

/// What is known of the product. `None` means: not answered yet.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
#[serde(default)]
pub struct Answers {
    /// What kind of product it is.
    pub family: Option<Family>,
    /// Where it is meant to work.
    pub environment: Option<Place>,
    /// Where it will be sold, e.g. `EU`, `UK`, `US`.
    pub markets: Vec<String>,
    /// Nominal voltage of the AC mains, V; absent where there is no AC mains port.
    pub mains_v: Option<f64>,
    /// Rated current of a phase, A.
    pub current_a: Option<f64>,
    /// Phases of the supply, 1 or 3.
    pub phases: Option<u8>,
    /// Whether the product is joined to protective or functional earth.
    pub earthed: Option<bool>,
    /// Whether something inside feels magnetic fields.
    pub magnetic_parts: Option<bool>,
    /// Whether there is an electronic circuit inside.
    pub electronics: Option<bool>,
    /// Highest frequency generated or used inside, Hz.
    pub highest_internal_frequency_hz: Option<f64>,
    /// Highest clock, Hz.
    pub highest_clock_hz: Option<f64>,
    /// Its interfaces.
    pub ports: Vec<PortAnswers>,
}

/// What is known of one interface.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct PortAnswers {
    /// Short name.
    pub id: String,
    /// Name for people.
    pub name: String,
    /// Which kind it is.
    pub kind: Port,
    /// Longest cable the manual allows, m.
    #[serde(default)]
    pub cable_length_m: Option<f64>,
    /// Whether the cable is screened.
    #[serde(default)]
    pub screened: Option<bool>,
    /// Whether the cable runs outdoors or leaves the building.
    #[serde(default)]
    pub outdoors: Option<bool>,
    /// DC port: whether it hangs on a distribution network.
    #[serde(default)]
    pub dc_network: Option<bool>,
    /// DC port: whether it is fed by an AC/DC adaptor of its own.
    #[serde(default)]
    pub dc_adaptor: Option<bool>,
}

/// Something that was not answered.
#[derive(Debug, Clone, PartialEq, Eq, Hash, PartialOrd, Ord, Serialize)]
pub struct Question {
    /// Where the answer goes in `product.toml`, e.g. `ports.sensors.outdoors`.
    pub field: String,
    /// The question, for people.
    pub text: String,
}

/// What a condition came to.
#[derive(Debug, Clone, PartialEq)]
pub(crate) enum Truth {
    /// It holds, and the answer that says so.
    Yes(String),
    /// It does not, and the answer that says so.
    No(String),
    /// Nobody said.
    Open(Question),
}

/// Cables at least this long count as long-distance lines, m (IEC 61000-6-1 and -6-2, definitions; from memory).
const LONG_DISTANCE_M: f64 = 30.0;

impl Answers {
    fn mains_port(&self) -> bool {
        self.ports.iter().any(|p| p.kind == Port::AcMains)
    }

    pub(crate) fn test(&self, condition: Condition, port: &PortAnswers) -> Truth {
        let name = &port.name;
        match condition {
            Condition::CableLongerThanM(limit) => match port.cable_length_m {
                Some(l) if l > limit => Truth::Yes(format!("{name}: cable of up to {l} m, longer than {limit} m")),
                Some(l) => Truth::No(format!("{name}: cable of at most {l} m, not longer than {limit} m")),
                None => ask_port(port, "cable_length_m", "how long may the cable be by the manual?"),
            },
            Condition::LongDistance(wanted) => {
                let long = match (port.outdoors, port.cable_length_m) {
                    (Some(true), _) => Truth::Yes(format!("{name}: the cable leaves the building")),
                    (_, Some(l)) if l > LONG_DISTANCE_M => {
                        Truth::Yes(format!("{name}: cable of up to {l} m, longer than {LONG_DISTANCE_M} m"))
                    }
                    (Some(false), Some(l)) => {
                        Truth::No(format!("{name}: cable of at most {l} m, all inside the building"))
                    }
                    (_, None) => ask_port(port, "cable_length_m", "how long may the cable be by the manual?"),
                    (None, Some(_)) => ask_port(port, "outdoors", "does the cable run outdoors or leave the building?"),
                };
                wanted_or_not(long, wanted)
            }
            Condition::Outdoors(wanted) => yes_no(
                port.outdoors,
                wanted,
                &format!("{name}: the cable runs outdoors"),
                &format!("{name}: the cable stays indoors"),
                || ask_port(port, "outdoors", "does the cable run outdoors or leave the building?"),
            ),
            Condition::Screened(wanted) => yes_no(
                port.screened,
                wanted,
                &format!("{name}: screened cable"),
                &format!("{name}: unscreened cable"),
                || ask_port(port, "screened", "is the cable screened?"),
            ),
            Condition::DcNetwork(wanted) => yes_no(
                port.dc_network,
                wanted,
                &format!("{name}: on a DC distribution network"),
                &format!("{name}: not on a DC distribution network"),
                || ask_port(port, "dc_network", "does it hang on a DC distribution network?"),
            ),
            Condition::DcAdaptor(wanted) => yes_no(
                port.dc_adaptor,
                wanted,
                &format!("{name}: fed by an AC/DC adaptor of its own"),
                &format!("{name}: no AC/DC adaptor of its own"),
                || ask_port(port, "dc_adaptor", "is it fed by an AC/DC adaptor of its own?"),
            ),
            Condition::MainsFed(wanted) => {
                let fed = if self.mains_port() {
                    Truth::Yes("fed from the AC mains".to_owned())
                } else {
                    Truth::No("no AC mains port".to_owned())
                };
                wanted_or_not(fed, wanted)
            }
            Condition::CurrentUpToA(limit) => match self.current_a {
                Some(i) if i <= limit => Truth::Yes(format!("rated current {i} A, at most {limit} A a phase")),
                Some(i) => Truth::No(format!("rated current {i} A, above {limit} A a phase")),
                None => ask("supply.current_a", "what is the rated current of a phase?"),
            },
            Condition::CurrentAboveA(limit) => match self.current_a {
                Some(i) if i > limit => Truth::Yes(format!("rated current {i} A, above {limit} A a phase")),
                Some(i) => Truth::No(format!("rated current {i} A, at most {limit} A a phase")),
                None => ask("supply.current_a", "what is the rated current of a phase?"),
            },
            Condition::MagneticParts(wanted) => yes_no(
                self.magnetic_parts,
                wanted,
                "something inside feels magnetic fields",
                "nothing inside feels magnetic fields",
                || {
                    ask(
                        "magnetic_parts",
                        "does something inside feel magnetic fields (Hall sensor, microphone, magnetic sensor)?",
                    )
                },
            ),
            Condition::Electronics(wanted) => yes_no(
                self.electronics,
                wanted,
                "there is an electronic circuit inside",
                "there is no electronic circuit inside",
                || ask("electronics", "is there an electronic circuit inside?"),
            ),
            Condition::InternalAboveHz(limit) => {
                above(self.highest_internal_frequency_hz, limit, "highest internal frequency", || {
                    ask("highest_internal_frequency_hz", "what is the highest frequency generated or used inside?")
                })
            }
            Condition::ClockAboveHz(limit) => above(self.highest_clock_hz, limit, "highest clock", ask_clock),
            Condition::ClockUpToHz(limit) => {
                wanted_or_not(above(self.highest_clock_hz, limit, "highest clock", ask_clock), false)
            }
        }
    }
}

fn ask_clock() -> Truth {
    ask("clocks", "which clocks and converters are inside, at which frequencies?")
}

/// A frequency for people.
pub(crate) fn hertz(f: f64) -> String {
    let (value, unit) = match f {
        f if f >= 1e9 => (f / 1e9, "GHz"),
        f if f >= 1e6 => (f / 1e6, "MHz"),
        f if f >= 1e3 => (f / 1e3, "kHz"),
        f => (f, "Hz"),
    };
    let digits = format!("{value:.3}");
    format!("{} {unit}", digits.trim_end_matches('0').trim_end_matches('.'))
}

fn above(value: Option<f64>, limit: f64, what: &str, open: impl FnOnce() -> Truth) -> Truth {
    match value {
        Some(f) if f > limit => Truth::Yes(format!("{what} {}, above {}", hertz(f), hertz(limit))),
        Some(f) => Truth::No(format!("{what} {}, not above {}", hertz(f), hertz(limit))),
        None => open(),
    }
}

fn yes_no(answer: Option<bool>, wanted: bool, yes: &str, no: &str, open: impl FnOnce() -> Truth) -> Truth {
    match answer {
        Some(a) => {
            let words = if a { yes } else { no }.to_owned();
            if a == wanted { Truth::Yes(words) } else { Truth::No(words) }
        }
        None => open(),
    }
}

fn wanted_or_not(truth: Truth, wanted: bool) -> Truth {
    match (truth, wanted) {
        (t, true) | (t @ Truth::Open(_), false) => t,
        (Truth::Yes(words), false) => Truth::No(words),
        (Truth::No(words), false) => Truth::Yes(words),
    }
}

fn ask(field: &str, text: &str) -> Truth {
    Truth::Open(Question { field: field.to_owned(), text: text.to_owned() })
}

fn ask_port(port: &PortAnswers, field: &str, text: &str) -> Truth {
    Truth::Open(Question { field: format!("ports.{}.{field}", port.id), text: format!("{}: {text}", port.name) })
}
