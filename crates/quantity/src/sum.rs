/// Level of the sum of uncorrelated contributions (their powers add), each given in dB over one reference.
/// Nothing summed is −∞.
pub fn power_sum_db(levels_db: impl IntoIterator<Item = f64>) -> f64 {
    10.0 * levels_db.into_iter().map(crate::db_to_power).sum::<f64>().log10()
}

/// Level of the sum of contributions that may all add in phase (their amplitudes add): the worst case.
/// Nothing summed is −∞.
pub fn voltage_sum_db(levels_db: impl IntoIterator<Item = f64>) -> f64 {
    20.0 * levels_db.into_iter().map(crate::db_to_amplitude).sum::<f64>().log10()
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    #[test]
    fn two_equal_ones() {
        assert!((power_sum_db([40.0, 40.0]) - (40.0 + 10.0 * 2f64.log10())).abs() < 1e-12);
        assert!((voltage_sum_db([40.0, 40.0]) - (40.0 + 20.0 * 2f64.log10())).abs() < 1e-12);
        assert_eq!(power_sum_db([]), f64::NEG_INFINITY);
    }

    proptest! {
        #[test]
        fn more_never_gives_less(levels in prop::collection::vec(-60.0..160.0f64, 1..8), one in -60.0..160.0f64) {
            let before = power_sum_db(levels.iter().copied());
            let after = power_sum_db(levels.iter().copied().chain([one]));
            prop_assert!(after >= before);
            prop_assert!(voltage_sum_db(levels.iter().copied()) >= before - 1e-9);
        }
    }
}
