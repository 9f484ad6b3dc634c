//! The invented immunity day of the demonstration: what was discharged into where, by whom, and the one upset. All of it is
//! made up; none of it was measured.

use crate::Equipment;

/// Day of the immunity runs.
pub const IMMUNITY_DAY: &str = "2026-03-19";
/// Who was at the bench: one at the generator, one watching the product.
pub const PRESENT: [&str; 2] = ["Ada", "Jon"];
/// Temperature (°C), relative humidity (%), air pressure (kPa).
pub const CLIMATE: [f64; 3] = [22.5, 41.0, 99.8];
/// How the product is watched.
pub const WATCHED: &str =
    "positions of the dampers and the six sensors read over the service port every 0.5 s; relay by eye and ear";
/// Points for contact discharge.
pub const CONTACT_POINTS: [&str; 3] = ["lid screw", "earth stud", "screen clamp of the sensors' cable"];
/// Points for air discharge.
pub const AIR_POINTS: [&str; 1] = ["gap beside the display"];
/// Contact levels, kV: the required one last but one, and one above it to see the margin.
pub const CONTACT_KV: [f64; 3] = [2.0, 4.0, 6.0];
/// Air levels, kV.
pub const AIR_KV: [f64; 3] = [2.0, 4.0, 8.0];
/// Where, at which level (kV) and after how many discharges the product falters.
pub const UPSET: (&str, f64, u32) = ("screen clamp of the sensors' cable", 6.0, 3);
/// What was seen then.
pub const UPSET_SEEN: &str = "two sensors read 9 K too high for 4 s, damper 3 moved by 6 % and came back by itself";
/// Ports for bursts with their level, kV; the mains port first.
pub const BURST_PORTS: [(&str, f64); 3] = [("Mains", 2.0), ("Actuators", 1.0), ("Sensors", 1.0)];
/// Repetition rates of the bursts, kHz.
pub const BURST_KHZ: [f64; 2] = [5.0, 100.0];

/// The generators.
pub fn generators() -> [Equipment; 2] {
    [
        Equipment {
            id: "ESD-0311",
            name: "Discharge generator, 150 pF / 330 ohm (ESD-0311)",
            serial: "0311",
            calibrated: "2025-09-02",
            due: "2026-09-02",
            note: "",
        },
        Equipment {
            id: "BG-1407",
            name: "Burst generator with coupling network and clamp (BG-1407)",
            serial: "1407",
            calibrated: "2025-10-20",
            due: "2026-10-20",
            note: "",
        },
    ]
}
