//! What a measuring path of limited bandwidth does to a pulse, and how it is taken back.

/// Rise time (10 % to 90 %) of a path, times its -3 dB bandwidth: 0.34 for a Gaussian response, 0.35 for one pole, up to
/// 0.45 for the steep responses of some digitisers (common practice).
pub(crate) const RISE_BANDWIDTH: f64 = 0.35;
/// Standard uncertainty of a correction that goes with the square of that product, as a part of the correction: the
/// product lies evenly between 0.34 and 0.45.
pub(crate) const CORRECTION_DOUBT: f64 = 0.25;

/// The pulse seen through a Gaussian path: `f` folded with a Gaussian of `sigma_s`.
pub(crate) fn seen(f: &dyn Fn(f64) -> f64, t_s: f64, sigma_s: f64) -> f64 {
    // Even steps over +-4 sigma: the trapezoidal rule converges geometrically on a Gaussian.
    const N: i32 = 24;
    let (mut sum, mut weight) = (0.0, 0.0);
    for k in -N..=N {
        let z = 4.0 * f64::from(k) / f64::from(N);
        let w = (-0.5 * z * z).exp();
        sum += w * f(t_s - z * sigma_s);
        weight += w;
    }
    sum / weight
}

/// Standard deviation in time of a Gaussian path of the same rise time.
pub(crate) fn sigma_s(bandwidth_hz: f64) -> f64 {
    // A Gaussian step rises from 10 % to 90 % in 2.563 sigma.
    RISE_BANDWIDTH / bandwidth_hz / 2.563_103
}

/// Bandwidth at which a rise time is read 1 % long.
pub(crate) fn needed_hz(rise_s: f64) -> f64 {
    RISE_BANDWIDTH / (rise_s * (1.01f64.powi(2) - 1.0).sqrt())
}
