//! Absurd parts are refused, naming part and field.

use crate::RemedyError;
use crate::parts::{Capacitor, CommonModeChoke, Model, Part};

/// Where a number has to lie.
#[derive(Clone, Copy)]
enum Needs {
    Positive,
    NotNegative,
}

fn numbers(part: &str, list: &[(&str, f64, Needs, &str)]) -> Result<(), RemedyError> {
    for &(field, value, needs, unit) in list {
        let (good, words) = match needs {
            Needs::Positive => (value > 0.0, "a number above zero"),
            Needs::NotNegative => (value >= 0.0, "zero or a number above it"),
        };
        if !(value.is_finite() && good) {
            return Err(RemedyError::part(part, field, value, &format!("{words}, {unit}")));
        }
    }
    Ok(())
}

fn check_capacitor(part: &str, prefix: &str, c: &Capacitor) -> Result<(), RemedyError> {
    use Needs::{NotNegative, Positive};
    let f = |name: &str| format!("{prefix}{name}");
    numbers(
        part,
        &[
            (&f("capacitance_f"), c.capacitance_f, Positive, "F"),
            (&f("esr_ohm"), c.esr_ohm, NotNegative, "Ω"),
            (&f("esl_h"), c.esl_h, Positive, "H"),
            (&f("rated_v"), c.rated_v, Positive, "V"),
        ],
    )?;
    if c.capacitance_f > 0.1 {
        return Err(RemedyError::part(part, &f("capacitance_f"), c.capacitance_f, "farads: 100 nF is 100e-9"));
    }
    Ok(())
}

fn check_choke(part: &str, prefix: &str, c: &CommonModeChoke) -> Result<(), RemedyError> {
    use Needs::{NotNegative, Positive};
    let f = |name: &str| format!("{prefix}{name}");
    numbers(
        part,
        &[
            (&f("inductance_h"), c.inductance_h, Positive, "H"),
            (&f("leakage_h"), c.leakage_h, Positive, "H"),
            (&f("resistance_ohm"), c.resistance_ohm, NotNegative, "Ω"),
            (&f("winding_f"), c.winding_f, Positive, "F"),
            (&f("loss_ohm"), c.loss_ohm, Positive, "Ω"),
            (&f("leakage_winding_f"), c.leakage_winding_f, Positive, "F"),
            (&f("leakage_loss_ohm"), c.leakage_loss_ohm, Positive, "Ω"),
            (&f("rated_a"), c.rated_a, Positive, "A"),
            (&f("turns"), f64::from(c.turns), Positive, "turns"),
            (&f("area_m2"), c.area_m2, Positive, "m²"),
            (&f("saturation_t"), c.saturation_t, Positive, "T"),
        ],
    )?;
    // Both windings in series aiding are 4 L; what is left of it as leakage cannot be more.
    if c.leakage_h >= 4.0 * c.inductance_h {
        return Err(RemedyError::part(
            part,
            &f("leakage_h"),
            c.leakage_h,
            "less than four times the winding's inductance",
        ));
    }
    Ok(())
}

impl Part {
    /// Whether every figure makes sense; the error names part and field.
    pub fn check(&self) -> Result<(), RemedyError> {
        use Needs::{NotNegative, Positive};
        let id = self.id.as_str();
        if id.trim().is_empty() {
            return Err(RemedyError::part(&self.name, "id", "empty", "a short name"));
        }
        numbers(
            id,
            &[
                ("volume_mm3", self.volume_mm3, NotNegative, "mm³"),
                ("cost_index", self.cost_index, NotNegative, "an index"),
                ("tolerance", self.tolerance, NotNegative, "a share"),
            ],
        )?;
        if self.tolerance >= 1.0 {
            return Err(RemedyError::part(id, "tolerance", self.tolerance, "a share below 1 (0.2 is ±20 %)"));
        }
        match &self.model {
            Model::Capacitor(c) => check_capacitor(id, "", c),
            Model::Inductor(l) => numbers(
                id,
                &[
                    ("inductance_h", l.inductance_h, Positive, "H"),
                    ("resistance_ohm", l.resistance_ohm, NotNegative, "Ω"),
                    ("winding_f", l.winding_f, Positive, "F"),
                    ("loss_ohm", l.loss_ohm, Positive, "Ω"),
                    ("rated_a", l.rated_a, Positive, "A"),
                    ("saturation_a", l.saturation_a, Positive, "A"),
                ],
            ),
            Model::CommonModeChoke(c) => check_choke(id, "", c),
            Model::Ferrite(f) => f.check(id),
            Model::Varistor(v) => numbers(
                id,
                &[
                    ("volts_at_1_a", v.volts_at_1_a, Positive, "V"),
                    ("beta", v.beta, Positive, "an exponent"),
                    ("capacitance_f", v.capacitance_f, Positive, "F"),
                    ("lead_h", v.lead_h, NotNegative, "H"),
                    ("rated_v", v.rated_v, Positive, "V"),
                    ("peak_a", v.peak_a, Positive, "A"),
                    ("energy_j", v.energy_j, Positive, "J"),
                ],
            ),
            Model::AvalancheClamp(c) => numbers(
                id,
                &[
                    ("breakdown_v", c.breakdown_v, Positive, "V"),
                    ("dynamic_ohm", c.dynamic_ohm, Positive, "Ω"),
                    ("capacitance_f", c.capacitance_f, Positive, "F"),
                    ("lead_h", c.lead_h, NotNegative, "H"),
                    ("rated_v", c.rated_v, Positive, "V"),
                    ("peak_a", c.peak_a, Positive, "A"),
                    ("energy_j", c.energy_j, Positive, "J"),
                ],
            ),
            Model::GasTube(g) => numbers(
                id,
                &[
                    ("sparkover_v", g.sparkover_v, Positive, "V"),
                    ("impulse_sparkover_v", g.impulse_sparkover_v, Positive, "V"),
                    ("arc_v", g.arc_v, Positive, "V"),
                    ("capacitance_f", g.capacitance_f, Positive, "F"),
                    ("lead_h", g.lead_h, NotNegative, "H"),
                    ("peak_a", g.peak_a, Positive, "A"),
                ],
            ),
            Model::Resistor(r) => numbers(
                id,
                &[
                    ("resistance_ohm", r.resistance_ohm, Positive, "Ω"),
                    ("lead_h", r.lead_h, NotNegative, "H"),
                    ("parallel_f", r.parallel_f, NotNegative, "F"),
                    ("rated_w", r.rated_w, Positive, "W"),
                ],
            ),
            Model::InletFilter(f) => {
                check_capacitor(id, "x_mains.", &f.x_mains)?;
                if let Some(c) = &f.x_product {
                    check_capacitor(id, "x_product.", c)?;
                }
                if let Some(c) = &f.y {
                    check_capacitor(id, "y.", c)?;
                }
                check_choke(id, "choke.", &f.choke)
            }
            Model::Measured(m) => m.check(id),
        }
    }
}
