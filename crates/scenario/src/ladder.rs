//! Two-ports in chain (ABCD) form, enough to carry a disturbance through a mains filter.

use std::f64::consts::TAU;

use num_complex::Complex64;

/// A linear two-port: U₁ = A·U₂ + B·I₂, I₁ = C·U₂ + D·I₂.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct TwoPort {
    /// Voltage ratio of the open output.
    pub a: Complex64,
    /// Transfer impedance, Ω.
    pub b: Complex64,
    /// Transfer admittance, S.
    pub c: Complex64,
    /// Current ratio of the shorted output.
    pub d: Complex64,
}

impl TwoPort {
    /// An impedance in the path.
    pub fn series(z: Complex64) -> Self {
        Self { a: Complex64::ONE, b: z, c: Complex64::ZERO, d: Complex64::ONE }
    }

    /// An impedance across the path.
    pub fn shunt(z: Complex64) -> Self {
        Self { a: Complex64::ONE, b: Complex64::ZERO, c: z.inv(), d: Complex64::ONE }
    }

    /// A uniform line of characteristic impedance `z0` and total propagation `gamma_l` = (α + jβ)·length.
    pub fn line(z0: Complex64, gamma_l: Complex64) -> Self {
        let (sinh, cosh) = (gamma_l.sinh(), gamma_l.cosh());
        Self { a: cosh, b: z0 * sinh, c: sinh / z0, d: cosh }
    }

    /// This one followed by another.
    pub fn then(self, next: Self) -> Self {
        Self {
            a: self.a * next.a + self.b * next.c,
            b: self.a * next.b + self.b * next.d,
            c: self.c * next.a + self.d * next.c,
            d: self.c * next.b + self.d * next.d,
        }
    }

    /// Voltage across a load over the voltage of an ideal source at the input.
    pub fn voltage_ratio(self, load: Complex64) -> Complex64 {
        (self.a + self.b / load).inv()
    }

    /// S₁₁ and S₂₁ between two equal resistances, Ω.
    pub fn s_parameters(self, reference_ohm: f64) -> (Complex64, Complex64) {
        let (b, c) = (self.b / reference_ohm, self.c * reference_ohm);
        let sum = self.a + b + c + self.d;
        ((self.a + b - c - self.d) / sum, 2.0 / sum)
    }
}

/// Impedances side by side.
pub fn parallel<const N: usize>(z: [Complex64; N]) -> Complex64 {
    z.iter().map(Complex64::inv).sum::<Complex64>().inv()
}

/// An inductance with the capacitance of its winding and the resistance of its core loss, all three in parallel.
pub fn choke(frequency_hz: f64, inductance_h: f64, loss_ohm: f64, winding_f: f64) -> Complex64 {
    let w = TAU * frequency_hz;
    parallel([
        Complex64::new(0.0, w * inductance_h),
        Complex64::new(loss_ohm, 0.0),
        Complex64::new(0.0, -1.0 / (w * winding_f)),
    ])
}

/// A capacitance in series with its resistance and inductance (ESR and ESL).
pub fn capacitor(frequency_hz: f64, capacitance_f: f64, resistance_ohm: f64, inductance_h: f64) -> Complex64 {
    let w = TAU * frequency_hz;
    Complex64::new(resistance_ohm, w * inductance_h - 1.0 / (w * capacitance_f))
}

#[cfg(test)]
mod tests {
    use super::*;

    fn ohm(r: f64) -> Complex64 {
        Complex64::new(r, 0.0)
    }

    /// A T of resistors solved by hand: 30 Ω, 60 Ω across, 20 Ω, 40 Ω load. Across the middle stand 60 ∥ 60 = 30 Ω, so
    /// half the source, of which the load takes two thirds.
    #[test]
    fn a_ladder_of_resistors() {
        let t = TwoPort::series(ohm(30.0)).then(TwoPort::shunt(ohm(60.0))).then(TwoPort::series(ohm(20.0)));
        assert!((t.voltage_ratio(ohm(40.0)) - 1.0 / 3.0).norm() < 1e-12);
    }

    /// A matched 10 dB pad of 50 Ω: 25.97 Ω, 35.14 Ω across, 25.97 Ω (the published resistor values of a T pad).
    #[test]
    fn a_ten_decibel_pad() {
        let pad = TwoPort::series(ohm(25.97)).then(TwoPort::shunt(ohm(35.14))).then(TwoPort::series(ohm(25.97)));
        let (s11, s21) = pad.s_parameters(50.0);
        assert!(s11.norm() < 1e-3);
        assert!((20.0 * s21.norm().log10() + 10.0).abs() < 0.01);
    }

    /// A quarter-wave line turns R into Z₀²/R (textbook), and two eighth-wave lines are one quarter-wave line.
    #[test]
    fn a_quarter_wave_line() {
        let eighth = TwoPort::line(ohm(75.0), Complex64::new(0.0, TAU / 8.0));
        let quarter = eighth.then(eighth);
        let load = ohm(50.0);
        let seen = (quarter.a * load + quarter.b) / (quarter.c * load + quarter.d);
        assert!((seen - 75.0 * 75.0 / 50.0).norm() < 1e-9);
    }

    #[test]
    fn parts_resonate_where_thomson_says() {
        let f = 1.0 / (TAU * (6e-3f64 * 15e-12).sqrt());
        assert!((choke(f, 6e-3, 15e3, 15e-12) - 15e3).norm() < 1e-3);
        let f = 1.0 / (TAU * (100e-9f64 * 16e-9).sqrt());
        assert!((capacitor(f, 100e-9, 0.03, 16e-9) - 0.03).norm() < 1e-9);
    }
}
