//! Numbers that may be missing: NaN in memory, `null` in JSON, both ways.

use serde::{Deserialize, Deserializer, Serialize, Serializer};

/// For `Vec<f64>` with gaps.
pub(crate) mod list {
    use super::{Deserialize, Deserializer, Serializer};

    pub(crate) fn serialize<S: Serializer>(values: &[f64], serializer: S) -> Result<S::Ok, S::Error> {
        serializer.collect_seq(values.iter().map(|v| v.is_finite().then_some(*v)))
    }

    pub(crate) fn deserialize<'de, D: Deserializer<'de>>(deserializer: D) -> Result<Vec<f64>, D::Error> {
        let values = Vec::<Option<f64>>::deserialize(deserializer)?;
        Ok(values.into_iter().map(|v| v.unwrap_or(f64::NAN)).collect())
    }
}

/// For one `f64` that may be missing.
pub(crate) mod one {
    use super::{Deserialize, Deserializer, Serialize, Serializer};

    #[allow(clippy::trivially_copy_pass_by_ref)] // the signature serde calls
    pub(crate) fn serialize<S: Serializer>(value: &f64, serializer: S) -> Result<S::Ok, S::Error> {
        value.is_finite().then_some(*value).serialize(serializer)
    }

    pub(crate) fn deserialize<'de, D: Deserializer<'de>>(deserializer: D) -> Result<f64, D::Error> {
        Ok(Option::<f64>::deserialize(deserializer)?.unwrap_or(f64::NAN))
    }
}
