use circuit::VaristorModel;
use serde::{Deserialize, Serialize};
use standards::Known;

/// Current of 8/20 µs that the part bears a number of times.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct PulsePoint {
    /// How often.
    pub pulses: f64,
    /// Peak current, A.
    pub current_a: f64,
}

/// What the part is.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(tag = "kind", rename_all = "snake_case")]
pub enum PartKind {
    /// Metal-oxide varistor.
    Varistor {
        /// Voltage at 1 mA, V.
        voltage_1ma_v: f64,
        /// Clamping voltage, V.
        clamp_v: f64,
        /// At this current of 8/20 µs, A.
        clamp_a: f64,
        /// Series resistance that shows at kiloamperes, ohm.
        #[serde(default)]
        series_ohm: f64,
        /// Inductance of the leads, H.
        #[serde(default)]
        series_h: f64,
    },
    /// Avalanche diode.
    Tvs {
        /// Breakdown voltage, V.
        breakdown_v: f64,
        /// Clamping voltage, V.
        clamp_v: f64,
        /// At this current of 10/1000 µs, A.
        clamp_a: f64,
        /// Pulse power for 10/1000 µs, W.
        pulse_power_w: f64,
    },
    /// Gas-filled arrestor.
    Arrestor {
        /// Sparkover for a fast pulse (1 kV/µs), V.
        spark_v: f64,
        /// Arc voltage, V.
        arc_v: f64,
    },
}

/// A protection part with its ratings.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Part {
    /// Name.
    #[serde(default)]
    pub name: String,
    /// Kind and values.
    #[serde(flatten)]
    pub kind: PartKind,
    /// Currents of 8/20 µs against the number of times, rising in number. One point: the single-pulse rating.
    #[serde(default)]
    pub life: Vec<PulsePoint>,
    /// Energy of one pulse that the part bears, J.
    #[serde(default)]
    pub max_energy_j: Option<f64>,
    /// Mean power that the part bears, W.
    #[serde(default)]
    pub mean_power_w: Option<f64>,
    /// Heat capacity of the ceramic or die with its coating, J/K.
    #[serde(default)]
    pub heat_capacity_j_per_k: Option<f64>,
    /// Thermal resistance to the surroundings, K/W.
    #[serde(default)]
    pub thermal_resistance_k_per_w: Option<f64>,
    /// Highest temperature, °C.
    #[serde(default)]
    pub max_temperature_c: Option<f64>,
    /// Highest continuous mains voltage, V rms.
    #[serde(default)]
    pub max_ac_v: Option<f64>,
    /// Where the values come from.
    #[serde(default)]
    pub source: String,
    /// How they are known.
    #[serde(default)]
    pub known: Option<Known>,
}

/// A part description that cannot be used.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
#[error("{place}: {what}; expected {expected}")]
pub struct PartError {
    /// File or argument, and field.
    pub place: String,
    /// What was found.
    pub what: String,
    /// What would do.
    pub expected: String,
}

impl Part {
    /// Reads a part from TOML.
    ///
    /// # Errors
    /// Names `place`, the field, and what was expected.
    pub fn from_toml(text: &str, place: &str) -> Result<Self, PartError> {
        let part: Self = toml::from_str(text).map_err(|e| PartError {
            place: place.to_owned(),
            what: e.to_string().trim_end().to_owned(),
            expected: "kind = \"varistor\", \"tvs\" or \"arrestor\" with its values".to_owned(),
        })?;
        part.check(place)?;
        Ok(part)
    }

    /// Reads a part from `kind=varistor,voltage_1ma_v=430,clamp_v=710,clamp_a=50,life=1:4500/10:2000`.
    ///
    /// # Errors
    /// Names the word that cannot be read.
    pub fn from_words(text: &str, place: &str) -> Result<Self, PartError> {
        let mut toml = String::new();
        for word in text.split(',').map(str::trim).filter(|w| !w.is_empty()) {
            let Some((key, value)) = word.split_once('=') else {
                return Err(PartError {
                    place: place.to_owned(),
                    what: format!("`{word}` is neither a file nor key=value"),
                    expected: "a TOML file, or words such as kind=varistor,voltage_1ma_v=430,clamp_v=710,clamp_a=50"
                        .into(),
                });
            };
            let (key, value) = (key.trim(), value.trim());
            if key == "life" {
                let points: Result<Vec<String>, PartError> = value
                    .split('/')
                    .map(|p| {
                        let pair =
                            p.split_once(':').and_then(|(n, i)| Some((n.parse::<f64>().ok()?, i.parse::<f64>().ok()?)));
                        let (n, i) = pair.ok_or_else(|| PartError {
                            place: format!("{place}, life"),
                            what: format!("`{p}`"),
                            expected: "pulses:amperes, such as 1:4500/10:2000".into(),
                        })?;
                        Ok(format!("{{ pulses = {n:?}, current_a = {i:?} }}"))
                    })
                    .collect();
                toml.push_str(&format!("life = [{}]\n", points?.join(", ")));
            } else if let Ok(v) = value.parse::<f64>() {
                toml.push_str(&format!("{key} = {v:?}\n"));
            } else {
                toml.push_str(&format!("{key} = {value:?}\n"));
            }
        }
        Self::from_toml(&toml, place)
    }

    fn check(&self, place: &str) -> Result<(), PartError> {
        let wrong = |field: &str, what: String, expected: &str| {
            Err(PartError { place: format!("{place}, {field}"), what, expected: expected.to_owned() })
        };
        let values: Vec<(&str, f64)> = match &self.kind {
            PartKind::Varistor { voltage_1ma_v, clamp_v, clamp_a, .. } => {
                if clamp_v <= voltage_1ma_v || *clamp_a <= 1e-3 {
                    return wrong(
                        "clamp_v",
                        format!("{clamp_v} V at {clamp_a} A"),
                        "more than the voltage at 1 mA, at more than 1 mA",
                    );
                }
                vec![("voltage_1ma_v", *voltage_1ma_v)]
            }
            PartKind::Tvs { breakdown_v, clamp_v, clamp_a, pulse_power_w } => {
                if clamp_v <= breakdown_v {
                    return wrong("clamp_v", format!("{clamp_v} V"), "more than the breakdown voltage");
                }
                vec![("breakdown_v", *breakdown_v), ("clamp_a", *clamp_a), ("pulse_power_w", *pulse_power_w)]
            }
            PartKind::Arrestor { spark_v, arc_v } => {
                if spark_v <= arc_v {
                    return wrong("spark_v", format!("{spark_v} V"), "more than the arc voltage");
                }
                vec![("arc_v", *arc_v)]
            }
        };
        let optional = [
            ("max_energy_j", self.max_energy_j),
            ("mean_power_w", self.mean_power_w),
            ("heat_capacity_j_per_k", self.heat_capacity_j_per_k),
            ("thermal_resistance_k_per_w", self.thermal_resistance_k_per_w),
            ("max_ac_v", self.max_ac_v),
        ];
        let given = optional.iter().filter_map(|(n, v)| v.map(|v| (*n, v)));
        let points = self.life.iter().flat_map(|p| [("life", p.pulses), ("life", p.current_a)]);
        for (name, v) in values.into_iter().chain(given).chain(points) {
            if !(v.is_finite() && v > 0.0) {
                return wrong(name, v.to_string(), "a number above zero");
            }
        }
        if self.life.windows(2).any(|w| w[1].pulses <= w[0].pulses || w[1].current_a >= w[0].current_a) {
            return wrong("life", "points out of order".into(), "rising numbers of pulses with falling currents");
        }
        Ok(())
    }

    /// The varistor's law `V = C·I^β` through its two points, 1 mA and the clamping point.
    pub fn varistor_model(&self) -> Option<VaristorModel> {
        let PartKind::Varistor { voltage_1ma_v, clamp_v, clamp_a, series_ohm, series_h } = self.kind else {
            return None;
        };
        let model = VaristorModel::from_points((1e-3, voltage_1ma_v), (clamp_a, clamp_v - series_ohm * clamp_a));
        Some(VaristorModel { series_ohm, series_h, ..model })
    }

    /// Time constant of its cooling, s.
    pub fn cooling_s(&self) -> Option<f64> {
        Some(self.heat_capacity_j_per_k? * self.thermal_resistance_k_per_w?)
    }
}
