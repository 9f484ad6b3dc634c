//! Thinning of a trace to the width of a drawing, keeping every maximum.

/// The range of indices whose frequency lies within `from_hz..=to_hz`, widened by one point on either side so that the
/// line reaches the edges of the drawing. `frequency_hz` must rise.
pub(super) fn window(frequency_hz: &[f64], from_hz: Option<f64>, to_hz: Option<f64>) -> std::ops::Range<usize> {
    let first = from_hz.map_or(0, |f| frequency_hz.partition_point(|&x| x < f).saturating_sub(1));
    let end =
        to_hz.map_or(frequency_hz.len(), |f| (frequency_hz.partition_point(|&x| x <= f) + 1).min(frequency_hz.len()));
    first..end.max(first)
}

/// Which points to draw on `pixels` columns that are even in log frequency: of each column and each detector the lowest
/// and the highest reading, and the place where a gap (NaN) begins; rising. A trace with fewer than twice as many points
/// as asked for is kept whole.
pub(super) fn thin(frequency_hz: &[f64], levels: &[&[f64]], pixels: usize) -> Vec<usize> {
    let n = frequency_hz.len();
    if pixels == 0 || n <= 2 * pixels {
        return (0..n).collect();
    }
    let log = |i: usize| frequency_hz[i].max(f64::MIN_POSITIVE).ln();
    let low = log(0);
    let span = (log(n - 1) - low).max(f64::MIN_POSITIVE);
    let column = |i: usize| (((log(i) - low) / span * pixels as f64) as usize).min(pixels - 1);
    let mut kept = Vec::with_capacity(2 * pixels * levels.len());
    let mut start = 0;
    while start < n {
        let here = column(start);
        let end = (start + 1..n).find(|&i| column(i) != here).unwrap_or(n);
        let mut keep = Vec::with_capacity(3 * levels.len());
        for level_db in levels {
            let (mut min, mut max, mut gap) = (None::<usize>, None::<usize>, None::<usize>);
            for i in start..end {
                if level_db[i].is_nan() {
                    gap = gap.or(Some(i));
                    continue;
                }
                if min.is_none_or(|m| level_db[i] < level_db[m]) {
                    min = Some(i);
                }
                if max.is_none_or(|m| level_db[i] > level_db[m]) {
                    max = Some(i);
                }
            }
            keep.extend([min, max, gap].into_iter().flatten());
        }
        keep.sort_unstable();
        keep.dedup();
        kept.extend(keep);
        start = end;
    }
    kept
}

/// All frequencies, then all levels of each column, as little-endian f64.
pub(super) fn bytes(frequency_hz: &[f64], levels: &[&[f64]], kept: &[usize]) -> Vec<u8> {
    std::iter::once(&frequency_hz)
        .chain(levels)
        .flat_map(|values| kept.iter().flat_map(|&i| values[i].to_le_bytes()))
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn keeps_the_highest_reading_wherever_it_stands() {
        let f: Vec<f64> = (0..100_000).map(|i| 150e3 * (200.0_f64).powf(f64::from(i) / 99_999.0)).collect();
        for peak in [0, 1, 777, 49_999, 99_998, 99_999] {
            let mut l: Vec<f64> = (0..100_000).map(|i| 20.0 + f64::from(i % 7)).collect();
            l[peak] = 91.5;
            let other = vec![3.0; 100_000];
            let kept = thin(&f, &[&other, &l], 800);
            assert!(kept.len() <= 3200 && kept.windows(2).all(|w| w[0] < w[1]));
            assert!(kept.contains(&peak));
        }
    }

    #[test]
    fn a_short_trace_is_left_whole_and_a_gap_stays_a_gap() {
        let f = [1.0, 2.0, 3.0];
        assert_eq!(thin(&f, &[&[4.0, 5.0, 6.0]], 100), [0, 1, 2]);
        let f: Vec<f64> = (1..=1000).map(f64::from).collect();
        let l: Vec<f64> = (1..=1000).map(|i| if (400..600).contains(&i) { f64::NAN } else { 1.0 }).collect();
        assert!(thin(&f, &[&l], 50).iter().any(|&i| l[i].is_nan() && (400.0..600.0).contains(&f[i])));
    }

    #[test]
    fn bytes_are_little_endian_frequencies_then_levels() {
        let data = bytes(&[1.0, 2.0], &[&[3.0, 4.0], &[5.0, 6.0]], &[1]);
        let values: Vec<f64> =
            data.chunks_exact(8).map(|c| f64::from_le_bytes(c.try_into().expect("eight bytes"))).collect();
        assert_eq!(values, [2.0, 4.0, 6.0]);
    }

    #[test]
    fn a_window_reaches_past_its_edges_by_one_point() {
        let f = [1.0, 2.0, 3.0, 4.0, 5.0];
        assert_eq!(window(&f, Some(2.5), Some(3.5)), 1..4);
        assert_eq!(window(&f, None, None), 0..5);
        assert_eq!(window(&f, Some(9.0), Some(10.0)), 4..5);
    }
}
