use crate::{ChangeSpec, Equipment, Sample, State};

/// The commented description of the invented product.
pub(crate) const PRODUCT_TOML: &str = include_str!("product.toml");

/// Instruments of the demonstration. Every serial number is invented.
pub(crate) fn equipment() -> Vec<Equipment> {
    let row = |id, name, serial, calibrated, due, note| Equipment { id, name, serial, calibrated, due, note };
    vec![
        row(
            "network",
            "Artificial mains network 50 Ω/50 µH, two conductors, 16 A",
            "HN-2207",
            "2025-06-12",
            "2026-06-12",
            "voltage division factor in network-factor.csv",
        ),
        row(
            "limiter",
            "Pulse limiter with 10 dB attenuator, 9 kHz to 30 MHz",
            "PL-0413",
            "2025-04-02",
            "2026-04-02",
            "due two weeks after the second measuring day",
        ),
        row("cable-2m", "Coaxial cable 2 m, 50 Ω", "K2-118", "2025-09-30", "2026-09-30", "measured as cable-2m.s2p"),
        row(
            "digitiser",
            "Digitiser, 14 bit, 62.5 MS/s, ±100 mV, 50 Ω",
            "DG-3391",
            "2025-11-20",
            "2026-11-20",
            "gain checked against a calibrated generator",
        ),
        row(
            "antenna",
            "Broadband antenna, 30 MHz to 1 GHz",
            "BA-0077",
            "2024-10-08",
            "2026-10-08",
            "antenna factor in antenna-factor.csv",
        ),
        row(
            "preamplifier",
            "Preamplifier, 10 MHz to 1.2 GHz",
            "PA-1905",
            "2025-09-30",
            "2026-09-30",
            "gain in preamplifier-gain.csv",
        ),
        row("cable-10m", "Coaxial cable 10 m, 50 Ω", "K10-052", "2025-09-30", "2026-09-30", "loss in cable-10m.csv"),
        row(
            "analyser",
            "Spectrum analyser with preselector, 9 kHz to 3 GHz",
            "SA-6120",
            "2025-02-28",
            "2026-02-28",
            "past its date on the measuring day: readings kept, to be confirmed after recalibration",
        ),
    ]
}

/// Samples of the product. Serial numbers are invented.
pub(crate) fn samples() -> Vec<Sample> {
    vec![Sample {
        id: "S1",
        serial: "DC-0003",
        note: "third unit of the pilot batch, housing as in series, boards of revision 2",
    }]
}

/// Modification states, oldest first.
pub(crate) fn states() -> Vec<State> {
    vec![
        State {
            id: "A",
            sample: "S1",
            title: "As built",
            changes: "none: boards of revision 2 as assembled",
            each: &[],
            date: "2026-03-09",
        },
        State {
            id: "B",
            sample: "S1",
            title: "Larger X capacitor and slower edges",
            changes: "X capacitor 100 nF changed for 470 nF; gate resistor changed so that the switching node rises in 90 ns instead of 45 ns and falls in 160 ns instead of 80 ns; clock output set to low drive strength",
            each: &[
                ChangeSpec { kind: "filter", what: "X capacitor 100 nF changed for 470 nF", ports: &["mains"] },
                ChangeSpec { kind: "converter", what: "slower gate drive", ports: &[] },
                ChangeSpec { kind: "clock_or_logic", what: "clock output set to low drive strength", ports: &[] },
            ],
            date: "2026-03-16",
        },
    ]
}
