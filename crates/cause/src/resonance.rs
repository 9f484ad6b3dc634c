//! Where cables, enclosures and slots resonate.

use serde::{Deserialize, Serialize};

/// Speed of light, m/s.
pub const LIGHT_M_PER_S: f64 = 299_792_458.0;

/// What resonates.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(tag = "what", rename_all = "snake_case")]
pub enum Resonator {
    /// A cable, as one half of a dipole whose other half is the box.
    Cable {
        /// Its name.
        name: String,
        /// In quarter waves.
        quarter_waves: u32,
    },
    /// The inside of a conducting box.
    Enclosure {
        /// Half waves along length, width and height.
        mode: [u32; 3],
    },
    /// A slot of half a wavelength.
    Slot {
        /// Its length, m.
        length_m: f64,
    },
}

/// A resonance with the range in which it can really lie.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Resonance {
    /// What resonates.
    pub resonator: Resonator,
    /// Frequency, Hz.
    pub frequency_hz: f64,
    /// From, Hz.
    pub from_hz: f64,
    /// To, Hz.
    pub to_hz: f64,
}

/// Resonances of a cable up to a frequency. A cable on a box is resonant near odd quarter waves where the box is a large
/// counterpoise, near half waves where the cable is alone; whether its far end is open or earthed exchanges odd and even
/// quarter waves, so all are given. The wave on a cable with insulation or near a floor travels at 0.75 to 1 times the speed
/// of light, which is the range (common practice; Balanis, Antenna Theory, chapter 4, for the quarter and half wave).
pub fn cable_resonances(name: &str, length_m: f64, to_hz: f64) -> Vec<Resonance> {
    let quarter = LIGHT_M_PER_S / (4.0 * length_m);
    (1..=8)
        .map(|k| (k, f64::from(k) * quarter))
        .take_while(|(_, f)| 0.75 * f <= to_hz)
        .map(|(k, f)| Resonance {
            resonator: Resonator::Cable { name: name.to_owned(), quarter_waves: k },
            frequency_hz: 0.9 * f,
            from_hz: 0.75 * f,
            to_hz: f,
        })
        .collect()
}

/// Resonances of an empty conducting box, f = c/2·√((m/a)² + (n/b)² + (p/d)²), at most one of the three 0 (Balanis,
/// Advanced Engineering Electromagnetics, chapter 8, from memory). Boards and parts inside lower them: down to 20 %.
pub fn enclosure_resonances(sides_m: [f64; 3], to_hz: f64) -> Vec<Resonance> {
    let mut found = Vec::new();
    for m in 0..=4u32 {
        for n in 0..=4u32 {
            for p in 0..=4u32 {
                let mode = [m, n, p];
                if mode.iter().filter(|i| **i == 0).count() > 1 {
                    continue;
                }
                let sum: f64 = mode.iter().zip(sides_m).map(|(i, a)| (f64::from(*i) / a).powi(2)).sum();
                let frequency_hz = 0.5 * LIGHT_M_PER_S * sum.sqrt();
                if frequency_hz <= to_hz {
                    let (from_hz, to_hz) = (0.8 * frequency_hz, frequency_hz);
                    found.push(Resonance { resonator: Resonator::Enclosure { mode }, frequency_hz, from_hz, to_hz });
                }
            }
        }
    }
    found.sort_by(|a, b| a.frequency_hz.total_cmp(&b.frequency_hz));
    found
}

/// A slot radiates best where it is half a wavelength long, f = c/(2·l); its ends and thickness move that by about 5 %
/// (common practice).
pub fn slot_resonance(length_m: f64) -> Resonance {
    let frequency_hz = LIGHT_M_PER_S / (2.0 * length_m);
    Resonance {
        resonator: Resonator::Slot { length_m },
        frequency_hz,
        from_hz: 0.9 * frequency_hz,
        to_hz: 1.05 * frequency_hz,
    }
}

/// The resonances in whose range a frequency lies, the nearest first.
pub fn near(resonances: &[Resonance], frequency_hz: f64) -> Vec<&Resonance> {
    let mut found: Vec<&Resonance> =
        resonances.iter().filter(|r| r.from_hz <= frequency_hz && frequency_hz <= r.to_hz).collect();
    let off = |r: &Resonance| (frequency_hz / r.frequency_hz).ln().abs();
    found.sort_by(|a, b| off(a).total_cmp(&off(b)));
    found
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn known_lengths() {
        // A 1 m cable: quarter wave at 75 MHz in air, half wave at 150 MHz.
        let cable = cable_resonances("mains", 1.0, 400e6);
        assert!((cable[0].to_hz / 74.95e6 - 1.0).abs() < 1e-3 && (cable[1].to_hz / 149.9e6 - 1.0).abs() < 1e-3);
        assert!(!near(&cable, 70e6).is_empty() && near(&cable, 30e6).is_empty());
        // WR-90 cavity of one guide wavelength: a = 22.86 mm, d = 19.86 mm gives TE101 at about 10 GHz (textbook waveguide).
        let box_ = enclosure_resonances([0.02286, 0.01016, 0.01986], 12e9);
        assert!((box_[0].frequency_hz / 10.0e9 - 1.0).abs() < 0.002, "{box_:?}");
        assert!((slot_resonance(0.15).frequency_hz / 999.3e6 - 1.0).abs() < 1e-3);
    }
}
