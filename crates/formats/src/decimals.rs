//! Numbers with a fixed count of decimals, as the standard library writes them, for tables of many rows.

use std::fmt::Write as _;

/// Appends `x` with `n` decimals (9 at most): the very characters of `{x:.n$}`.
pub(crate) fn push_decimals(out: &mut String, x: f64, n: u32) {
    let scale = 10_u64.pow(n.min(9));
    let scaled = x.abs() * scale as f64;
    let fraction = scaled.fract();
    // Near a tie the rounding of the product could turn the last digit, and a far number has more digits than fit here: those
    // go the long way. Below the bound the product is off by less than a ten-thousandth.
    if scaled.is_nan() || scaled >= 1e11 || (fraction - 0.5).abs() < 1e-3 {
        let _ = write!(out, "{x:.*}", n as usize);
        return;
    }
    let mut rest = scaled as u64 + u64::from(fraction > 0.5);
    if x.is_sign_negative() {
        out.push('-');
    }
    let mut text = [b'0'; 24];
    let mut at = text.len();
    let mut place = 0;
    while place <= n || rest > 0 {
        if place == n && n > 0 {
            at -= 1;
            text[at] = b'.';
        }
        at -= 1;
        text[at] = b'0' + (rest % 10) as u8;
        rest /= 10;
        place += 1;
    }
    out.extend(text[at..].iter().map(|b| char::from(*b)));
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_number_reads_as_the_standard_library_writes_it() {
        let mut numbers: Vec<f64> =
            vec![0.0, -0.0, 0.5, 1.5, 2.5, 0.125, 1e-9, 4.999_95e-5, 5e-5, 0.99995, 9.99995, 1e11, 1e15, 1e300];
        numbers.extend([f64::NAN, f64::INFINITY, 999_999.999_95, 123_456_789.000_05, 29_999_778.738_839_287]);
        let mut state = 1_u64;
        for i in 0..20_000 {
            state = state.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
            let unit = (state >> 11) as f64 / (1_u64 << 53) as f64;
            numbers.push(unit * 10f64.powi(i % 14 - 4));
            // Short decimals, of which many are ties one place further down.
            numbers.push((unit * 1e7).floor() / 1e5);
        }
        let mut out = String::new();
        for x in numbers {
            for x in [x, -x] {
                for n in [0, 1, 3, 4] {
                    out.clear();
                    push_decimals(&mut out, x, n);
                    assert_eq!(out, format!("{x:.*}", n as usize));
                }
            }
        }
    }
}
