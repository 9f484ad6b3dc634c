//! Chain matrices and the insertion loss of CISPR 17.

use num_complex::Complex64;
use serde::{Deserialize, Serialize};

/// A linear two-port in chain form: U₁ = A·U₂ + B·I₂, I₁ = C·U₂ + D·I₂.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Chain {
    /// Voltage ratio of the open output.
    pub a: Complex64,
    /// Transfer impedance, Ω.
    pub b: Complex64,
    /// Transfer admittance, S.
    pub c: Complex64,
    /// Current ratio of the shorted output.
    pub d: Complex64,
}

impl Chain {
    /// Nothing in between.
    pub const THROUGH: Self = Self { a: Complex64::ONE, b: Complex64::ZERO, c: Complex64::ZERO, d: Complex64::ONE };

    /// An impedance in the path, Ω.
    pub const fn series(z: Complex64) -> Self {
        Self { a: Complex64::ONE, b: z, c: Complex64::ZERO, d: Complex64::ONE }
    }

    /// An impedance across the path, Ω.
    pub fn shunt(z: Complex64) -> Self {
        Self { a: Complex64::ONE, b: Complex64::ZERO, c: z.inv(), d: Complex64::ONE }
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

    /// This one followed by an impedance in the path.
    pub fn then_series(self, z: Complex64) -> Self {
        Self { b: self.b + self.a * z, d: self.d + self.c * z, ..self }
    }

    /// This one followed by an admittance across the path.
    pub fn then_shunt(self, y: Complex64) -> Self {
        Self { a: self.a + self.b * y, c: self.c + self.d * y, ..self }
    }

    /// Voltage across a load over the open-circuit voltage of a source of impedance `source`:
    /// Z_L/(A·Z_L + B + C·Z_S·Z_L + D·Z_S).
    pub fn transfer(self, source: Complex64, load: Complex64) -> Complex64 {
        load / (self.a * load + self.b + (self.c * load + self.d) * source)
    }

    /// Impedance into the output with the input closed by `source`, Ω.
    pub fn output_ohm(self, source: Complex64) -> Complex64 {
        (self.b + self.d * source) / (self.a + self.c * source)
    }

    /// Insertion loss (dB) between two impedances: 20·log|(A·Z_L + B + C·Z_S·Z_L + D·Z_S)/(Z_S + Z_L)|; negative where the
    /// network amplifies.
    pub fn insertion_loss_db(self, source: Complex64, load: Complex64) -> f64 {
        let with = self.a * load + self.b + self.c * source * load + self.d * source;
        20.0 * (with / (source + load)).norm().log10()
    }
}

/// The pairs of resistances in which CISPR 17 states an insertion loss.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Terminations {
    /// 50 Ω at both sides: the standard method, symmetrical (between conductors) or asymmetrical (all to earth).
    Fifty,
    /// Approximate worst case, 0.1 Ω source and 100 Ω load.
    LowHigh,
    /// Approximate worst case, 100 Ω source and 0.1 Ω load.
    HighLow,
}

impl Terminations {
    /// All three, in the order they are listed.
    pub const ALL: [Self; 3] = [Self::Fifty, Self::LowHigh, Self::HighLow];

    /// Source and load, Ω.
    pub const fn ohm(self) -> (f64, f64) {
        match self {
            Self::Fifty => (50.0, 50.0),
            Self::LowHigh => (0.1, 100.0),
            Self::HighLow => (100.0, 0.1),
        }
    }

    /// As CISPR 17 names it.
    pub const fn name(self) -> &'static str {
        match self {
            Self::Fifty => "50 Ω/50 Ω",
            Self::LowHigh => "0.1 Ω/100 Ω",
            Self::HighLow => "100 Ω/0.1 Ω",
        }
    }

    /// Insertion loss (dB) of a network between them.
    pub fn insertion_loss_db(self, network: Chain) -> f64 {
        let (s, l) = self.ohm();
        network.insertion_loss_db(Complex64::new(s, 0.0), Complex64::new(l, 0.0))
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::parts::{capacitor_ohm, coil_ohm};
    use std::f64::consts::TAU;

    fn ideal(f: f64, l: f64, c: f64) -> Chain {
        let w = TAU * f;
        Chain::series(Complex64::new(0.0, w * l)).then(Chain::shunt(Complex64::new(0.0, -1.0 / (w * c))))
    }

    /// 1 mH toward the source and 100 nF at the load (R₀ = 100 Ω, f₀ = 15.92 kHz): insertion loss by the chain matrix
    /// in the three terminations of CISPR 17, dB.
    #[test]
    fn an_ideal_lc() {
        for (f, fifty, low_high, high_low) in
            [(10e3, 1.0, -1.2, 1.4), (150e3, 33.1, 38.9, 19.5), (1e6, 65.9, 71.9, 36.0), (10e6, 105.9, 111.9, 57.4)]
        {
            for (t, expected) in Terminations::ALL.into_iter().zip([fifty, low_high, high_low]) {
                let got = t.insertion_loss_db(ideal(f, 1e-3, 100e-9));
                assert!((got - expected).abs() < 0.051, "{} at {f} Hz: {got}, expected {expected}", t.name());
            }
        }
    }

    /// 50 µH and 1 µF amplify by 21.4 dB at 22.48 kHz between 0.1 and 100 Ω, while between 50 Ω the loss never falls
    /// below 0 dB: a figure in 50 Ω promises nothing.
    #[test]
    fn a_filter_can_amplify() {
        let worst = (0..4000)
            .map(|k| 10e3 + f64::from(k) * 10.0)
            .map(|f| (f, Terminations::LowHigh.insertion_loss_db(ideal(f, 50e-6, 1e-6))));
        let (f, db) = worst.min_by(|a, b| a.1.total_cmp(&b.1)).unwrap();
        assert!((db + 21.4).abs() < 0.05 && (f - 22.48e3).abs() < 30.0, "{db} dB at {f} Hz");
        for k in 0..4000 {
            assert!(Terminations::Fifty.insertion_loss_db(ideal(1e3 * 1.002f64.powi(k), 50e-6, 1e-6)) > -1e-9);
        }
    }

    /// The same 1 mH and 100 nF with 20 pF and 20 kΩ beside the coil (0.05 Ω), 15 nH and 30 mΩ in the capacitor: from
    /// 5 MHz on the loss falls again. 50 Ω/50 Ω, dB.
    #[test]
    fn parasitics_turn_the_loss_round() {
        for (mhz, expected) in [(0.15, 33.2), (1.0, 74.9), (5.0, 74.6), (10.0, 54.2), (30.0, 33.7)] {
            let f = mhz * 1e6;
            let net = Chain::series(coil_ohm(f, 1e-3, 0.05, 20e-12, 20e3))
                .then(Chain::shunt(capacitor_ohm(f, 100e-9, 30e-3, 15e-9)));
            let got = Terminations::Fifty.insertion_loss_db(net);
            assert!((got - expected).abs() < 0.06, "{mhz} MHz: {got}, expected {expected}");
        }
    }

    /// A common-mode choke of 1 mH alone between 100 pF and 25 Ω amplifies by 42.0 dB at 503.3 kHz without loss and by
    /// 10.2 dB with 10 kΩ; at 3 MHz it takes 30.8 and 24.2 dB.
    #[test]
    fn a_choke_alone_before_a_stray_capacitance() {
        let source = |f| capacitor_ohm(f, 100e-12, 0.0, 1e-30);
        let load = Complex64::new(25.0, 0.0);
        let loss = |f: f64, r: f64| Chain::series(coil_ohm(f, 1e-3, 0.0, 1e-30, r)).insertion_loss_db(source(f), load);
        assert!((loss(503.3e3, 1e12) + 42.0).abs() < 0.2, "{}", loss(503.3e3, 1e12));
        assert!((loss(503.3e3, 10e3) + 10.2).abs() < 0.06);
        assert!((loss(3e6, 1e12) - 30.8).abs() < 0.06);
        assert!((loss(3e6, 10e3) - 24.2).abs() < 0.06);
    }

    /// Sizing by the rule and what the exact network says: 10.76 mH with 6.6 nF, current source into 25 Ω, 35.86 dB at
    /// 150 kHz; and where the rule misleads, 50 µH with 470 nF at 150 kHz into 100 Ω, in both orders.
    #[test]
    fn orders_of_the_parts() {
        let w = TAU * 150e3;
        let j = |x: f64| Complex64::new(0.0, x);
        let load = |r| Complex64::new(r, 0.0);
        let current = Complex64::new(1e12, 0.0);
        let voltage = Complex64::new(1e-12, 0.0);
        let cm = Chain::shunt(j(-1.0 / (w * 6.6e-9))).then(Chain::series(j(w * 10.76e-3)));
        assert!((cm.insertion_loss_db(current, load(25.0)) - 35.86).abs() < 0.02);
        let (l, c) = (j(w * 50e-6), j(-1.0 / (w * 470e-9)));
        let lc = Chain::series(l).then(Chain::shunt(c));
        let cl = Chain::shunt(c).then(Chain::series(l));
        for (net, source, expected) in
            [(lc, voltage, 25.97), (lc, current, 32.93), (cl, voltage, 0.87), (cl, current, 33.72)]
        {
            let got = net.insertion_loss_db(source, load(100.0));
            assert!((got - expected).abs() < 0.006, "{got}, expected {expected}");
        }
    }

    #[test]
    fn shortcuts_are_the_same_matrices() {
        let (z, y) = (Complex64::new(3.0, 40.0), Complex64::new(0.01, -0.2));
        let start = Chain::series(Complex64::new(5.0, 1.0)).then(Chain::shunt(Complex64::new(7.0, -9.0)));
        assert!((start.then_series(z).d - start.then(Chain::series(z)).d).norm() < 1e-12);
        assert!((start.then_shunt(y).a - start.then(Chain::shunt(y.inv())).a).norm() < 1e-12);
        let (s, l) = (Complex64::new(2.0, 9.0), Complex64::new(11.0, -4.0));
        let n = start.then_series(z);
        let ratio = (l / (s + l)) / n.transfer(s, l);
        assert!((20.0 * ratio.norm().log10() - n.insertion_loss_db(s, l)).abs() < 1e-9);
    }
}
