//! The mains side of the invented product as a circuit: where the disturbance is born and which ways it takes to the
//! two conductors of the artificial mains network.
//!
//! ```text
//! common mode (both conductors against earth)          differential mode (conductor against conductor)
//!
//!  drain ──Cs──┬──[common-mode choke]──┬                Zbulk ──[leakage of the choke, track]──┬─────┬
//!   ~          │                       │                 ~ I·Zbulk                             │     │
//!  trapezoid   2 Cy (ESR, ESL)       Zn/2                                                Cx (ESR,  2·Zn
//!  of voltage  │                       │                                                  ESL)      │
//!  earth ──────┴───────────────────────┴                ────────────────────────────────────────┴─────┴
//! ```
//! with Zn = 50 Ω ∥ jω·50 µH, the impedance of one conductor of the network (CISPR 16-1-2). A conductor shows
//! U = Ucm ± Udm/2, and the line also what the stray capacitance `bypass_f` carries past the filter. The clock drives
//! the actuator cable against the board (`clock_share`); the current of the cable returns through the choke's winding
//! capacitance and the network. Every part value is invented; the sizes are those usual for such products.

use std::f64::consts::TAU;

use num_complex::Complex64;

use crate::ladder::{TwoPort, capacitor, choke, parallel};
use crate::trapezoid::Trapezoid;
use crate::{Conductor, Kind};

/// Every part of the product that the model knows.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Design {
    /// Voltage of the switching node, V.
    pub drain: Trapezoid,
    /// Current drawn from the bulk capacitor, A.
    pub current: Trapezoid,
    /// The clock at its output pin, V.
    pub clock: Trapezoid,
    /// Switching node to earth, F.
    pub stray_f: f64,
    /// Transformer straight to the line terminal, past the filter, F.
    pub bypass_f: f64,
    /// One Y capacitor, F; there are two.
    pub y_capacitor_f: f64,
    /// Resistance of one Y capacitor, Ω.
    pub y_esr_ohm: f64,
    /// Inductance of one Y capacitor with its leads, H.
    pub y_esl_h: f64,
    /// Common-mode choke, H.
    pub choke_h: f64,
    /// Its core loss, Ω.
    pub choke_loss_ohm: f64,
    /// Its winding capacitance, F.
    pub choke_winding_f: f64,
    /// Its leakage inductance, both windings in series, H.
    pub leakage_h: f64,
    /// Loss beside the leakage inductance, Ω.
    pub leakage_loss_ohm: f64,
    /// Winding capacitance in differential mode, F.
    pub leakage_winding_f: f64,
    /// Resistance of the track and the rectifier, Ω.
    pub track_ohm: f64,
    /// Inductance of the track and the rectifier, H.
    pub track_h: f64,
    /// Bulk capacitor, F.
    pub bulk_f: f64,
    /// Its resistance, Ω.
    pub bulk_esr_ohm: f64,
    /// Its inductance, H.
    pub bulk_esl_h: f64,
    /// X capacitor, F.
    pub x_capacitor_f: f64,
    /// Its resistance, Ω.
    pub x_esr_ohm: f64,
    /// Its inductance, H.
    pub x_esl_h: f64,
    /// Part of the clock voltage that stands between the actuator cable and the board.
    pub clock_share: f64,
    /// Free length of the actuator cable, m.
    pub cable_m: f64,
    /// Impedance of the cable over the floor, Ω.
    pub cable_ohm: f64,
    /// Loss of the cable, Np/m.
    pub cable_neper_per_m: f64,
    /// Speed on the cable over the speed of light.
    pub cable_speed: f64,
}

impl Design {
    /// State A: boards as assembled.
    pub fn as_built() -> Self {
        let drain = Trapezoid { frequency_hz: 131.8e3, swing: 380.0, duty: 0.485, rise_s: 45e-9, fall_s: 80e-9 };
        Self {
            drain,
            current: Trapezoid { swing: 0.9, ..drain },
            clock: Trapezoid { frequency_hz: 8e6, swing: 3.3, duty: 0.46, rise_s: 4e-9, fall_s: 4e-9 },
            stray_f: 4e-12,
            bypass_f: 0.003e-12,
            y_capacitor_f: 3.3e-9,
            y_esr_ohm: 0.1,
            y_esl_h: 12e-9,
            choke_h: 6e-3,
            choke_loss_ohm: 15e3,
            choke_winding_f: 15e-12,
            leakage_h: 45e-6,
            leakage_loss_ohm: 4e3,
            leakage_winding_f: 12e-12,
            track_ohm: 0.15,
            track_h: 60e-9,
            bulk_f: 68e-6,
            bulk_esr_ohm: 0.18,
            bulk_esl_h: 9e-9,
            x_capacitor_f: 100e-9,
            x_esr_ohm: 0.03,
            x_esl_h: 16e-9,
            clock_share: 0.0048,
            cable_m: 3.4,
            cable_ohm: 250.0,
            cable_neper_per_m: 0.02,
            cable_speed: 0.72,
        }
    }

    /// State B: larger X capacitor, slower edges of the switching node and of the clock.
    pub fn modified() -> Self {
        let a = Self::as_built();
        let slower = |t: Trapezoid| Trapezoid { rise_s: 90e-9, fall_s: 160e-9, ..t };
        Self {
            drain: slower(a.drain),
            current: slower(a.current),
            clock: Trapezoid { rise_s: 22e-9, fall_s: 22e-9, ..a.clock },
            x_capacitor_f: 470e-9,
            ..a
        }
    }

    /// The design a synthesis imitates.
    pub fn of(kind: Kind) -> Self {
        if kind.modified { Self::modified() } else { Self::as_built() }
    }

    /// What the converter's multiple `n` leaves on a conductor at the port: complex peak voltage, V.
    pub fn converter(&self, n: u32, conductor: Conductor) -> Complex64 {
        let f = f64::from(n) * self.drain.frequency_hz;
        let w = TAU * f;
        let drain = self.drain.harmonic(n);
        let network = network_impedance(f);
        let x = capacitor(f, self.x_capacitor_f, self.x_esr_ohm, self.x_esl_h);

        let common = drain
            * TwoPort::series(Complex64::new(0.0, -1.0 / (w * self.stray_f)))
                .then(TwoPort::shunt(capacitor(f, self.y_capacitor_f, self.y_esr_ohm, self.y_esl_h) / 2.0))
                .then(TwoPort::series(choke(f, self.choke_h, self.choke_loss_ohm, self.choke_winding_f)))
                .voltage_ratio(network / 2.0);

        let bulk = capacitor(f, self.bulk_f, self.bulk_esr_ohm, self.bulk_esl_h);
        let track = Complex64::new(self.track_ohm, w * self.track_h);
        let leakage = choke(f, self.leakage_h, self.leakage_loss_ohm, self.leakage_winding_f);
        let differential = self.current.harmonic(n)
            * bulk
            * TwoPort::series(bulk + leakage + track).then(TwoPort::shunt(x)).voltage_ratio(2.0 * network);

        // Past the filter: into the line terminal, whose other way to earth leads over the X capacitor and the neutral.
        let terminal = parallel([network, x + network]);
        let past = drain * terminal / (terminal + Complex64::new(0.0, -1.0 / (w * self.bypass_f)));
        match conductor {
            Conductor::Line => common - differential / 2.0 + past,
            Conductor::Neutral => common + differential / 2.0 + past * network / (x + network),
        }
    }

    /// What the clock's multiple `n` leaves on either conductor at the port: complex peak voltage, V.
    pub fn clock_at_port(&self, n: u32) -> Complex64 {
        let f = f64::from(n) * self.clock.frequency_hz;
        let gamma = Complex64::new(self.cable_neper_per_m, TAU * f / (self.cable_speed * 299_792_458.0));
        // The far end is open: Z₀·coth(γl).
        let cable = self.cable_ohm / (gamma * self.cable_m).tanh();
        let back = choke(f, self.choke_h, self.choke_loss_ohm, self.choke_winding_f);
        self.clock_share
            * self.clock.harmonic(n)
            * TwoPort::series(cable + back).voltage_ratio(network_impedance(f) / 2.0)
    }
}

/// Impedance of one conductor of the artificial mains network to earth: 50 Ω ∥ 50 µH (CISPR 16-1-2, 0.15–30 MHz).
pub fn network_impedance(frequency_hz: f64) -> Complex64 {
    parallel([Complex64::new(50.0, 0.0), Complex64::new(0.0, TAU * frequency_hz * 50e-6)])
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Values of the standard's impedance curve of the 50 Ω/50 µH network (CISPR 16-1-2, table of nominal magnitudes;
    /// from memory): 34.29 Ω at 150 kHz, 44.17 Ω at 300 kHz, 49.38 Ω at 1 MHz, 50.00 Ω at 30 MHz.
    #[test]
    fn the_network_has_the_published_impedance() {
        for (f, z) in [(150e3, 34.29), (300e3, 44.17), (1e6, 49.38), (30e6, 50.00)] {
            assert!((network_impedance(f).norm() - z).abs() < 0.005, "{f} Hz");
        }
    }

    /// The common-mode way once more, by nodal equations written out instead of two-ports.
    #[test]
    fn common_mode_against_nodal_equations() {
        let design = Design {
            current: Trapezoid { swing: 0.0, ..Design::as_built().current },
            bypass_f: 1e-30,
            ..Design::as_built()
        };
        for n in [1, 3, 20, 150] {
            let f = f64::from(n) * 131.8e3;
            let w = TAU * f;
            let y_stray = Complex64::new(0.0, w * design.stray_f);
            let y_earth = 2.0 / capacitor(f, 3.3e-9, 0.1, 12e-9);
            let y_choke = choke(f, 6e-3, 15e3, 15e-12).inv();
            let y_load = 2.0 / network_impedance(f);
            // [ys+ye+yc, −yc; −yc, yc+yl]·[u1; u2] = [ys·E; 0]
            let (p, q) = (y_stray + y_earth + y_choke, y_choke + y_load);
            let expected = y_choke * y_stray * design.drain.harmonic(n) / (p * q - y_choke * y_choke);
            let got = design.converter(n, Conductor::Line);
            assert!((got - expected).norm() < 1e-6 * expected.norm(), "multiple {n}: {got} {expected}");
        }
    }

    /// Far above the resonance of 45 µH with the X capacitor (75 kHz) a capacitor 4.7 times larger lowers the
    /// differential mode by nearly 20·log 4.7 = 13.4 dB.
    #[test]
    fn a_larger_x_capacitor_does_what_it_should() {
        let built = Design { stray_f: 1e-20, bypass_f: 1e-30, ..Design::as_built() };
        let larger = Design { x_capacitor_f: 470e-9, ..built };
        let ratio = built.converter(3, Conductor::Line).norm() / larger.converter(3, Conductor::Line).norm();
        let db = 20.0 * ratio.log10();
        assert!((12.5..14.5).contains(&db), "{db} dB");
    }
}
