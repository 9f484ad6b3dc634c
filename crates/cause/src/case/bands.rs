//! Where transmitters are expected: broadcasting and other strong services.

/// A band and who transmits in it.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct RadioBand {
    /// From, Hz.
    pub from_hz: f64,
    /// To, Hz.
    pub to_hz: f64,
    /// The service.
    pub service: &'static str,
}

const fn band(from_khz: f64, to_khz: f64, service: &'static str) -> RadioBand {
    RadioBand { from_hz: 1e3 * from_khz, to_hz: 1e3 * to_khz, service }
}

/// Strong services up to 1 GHz (ITU Radio Regulations, article 5, Region 1, from memory). Weak and rare ones are left out: an
/// emission outside these bands can still come from outside the product.
pub const RADIO_BANDS: [RadioBand; 24] = [
    band(148.5, 283.5, "long-wave broadcasting"),
    band(526.5, 1606.5, "medium-wave broadcasting"),
    band(3900.0, 4000.0, "short-wave broadcasting"),
    band(5900.0, 6200.0, "short-wave broadcasting"),
    band(7200.0, 7450.0, "short-wave broadcasting"),
    band(9400.0, 9900.0, "short-wave broadcasting"),
    band(11600.0, 12100.0, "short-wave broadcasting"),
    band(13570.0, 13870.0, "short-wave broadcasting"),
    band(15100.0, 15800.0, "short-wave broadcasting"),
    band(17480.0, 17900.0, "short-wave broadcasting"),
    band(21450.0, 21850.0, "short-wave broadcasting"),
    band(26960.0, 27410.0, "citizens' band radio"),
    band(87500.0, 108_000.0, "FM broadcasting"),
    band(118_000.0, 137_000.0, "aeronautical radio"),
    band(144_000.0, 146_000.0, "amateur radio"),
    band(156_000.0, 162_050.0, "maritime radio"),
    band(174_000.0, 240_000.0, "digital audio broadcasting"),
    band(380_000.0, 400_000.0, "trunked radio of public services"),
    band(433_050.0, 434_790.0, "short-range devices"),
    band(470_000.0, 694_000.0, "television broadcasting"),
    band(703_000.0, 788_000.0, "mobile telephones"),
    band(791_000.0, 862_000.0, "mobile telephones"),
    band(863_000.0, 870_000.0, "short-range devices"),
    band(880_000.0, 960_000.0, "mobile telephones"),
];

/// The band a frequency lies in, if any.
pub fn radio_band(frequency_hz: f64) -> Option<&'static RadioBand> {
    RADIO_BANDS.iter().find(|b| b.from_hz <= frequency_hz && frequency_hz <= b.to_hz)
}

/// Share of the range from half to twice a frequency (over its logarithm) that such bands cover: how easily a frequency that has
/// nothing to do with radio lies in one.
pub(super) fn covered_share(frequency_hz: f64) -> f64 {
    let (from, to) = (0.5 * frequency_hz, 2.0 * frequency_hz);
    let inside = |b: &RadioBand| (b.to_hz.min(to).ln() - b.from_hz.max(from).ln()).max(0.0);
    let covered: f64 = RADIO_BANDS.iter().map(inside).sum();
    (covered / (to / from).ln()).clamp(0.05, 0.9)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn well_known_stations() {
        // Droitwich 198 kHz, the CB channel 19 at 27.185 MHz, an FM station, DAB block 12B at 225.648 MHz.
        for (f, service) in [(198e3, "long"), (27.185e6, "citizens"), (98.1e6, "FM"), (225.648e6, "audio")] {
            assert!(radio_band(f).is_some_and(|b| b.service.contains(service)), "{f}");
        }
        assert_eq!(radio_band(48e6), None);
        assert!(RADIO_BANDS.windows(2).all(|w| w[0].to_hz < w[1].from_hz));
        assert!(covered_share(700e3) > 0.5 && covered_share(50e6) < 0.3);
    }
}
