use num_complex::Complex64;

/// An impedance known at frequencies: from a measurement, a Touchstone file or a data sheet.
///
/// Between rows the magnitude is interpolated in log Z over log f and the phase linearly over log f. Outside the rows
/// there is no value: the analysis stops and names the element.
#[derive(Debug, Clone, PartialEq)]
pub struct Table {
    /// Frequencies, Hz, rising.
    pub frequency_hz: Vec<f64>,
    /// Impedances, ohm, one for each frequency.
    pub impedance_ohm: Vec<Complex64>,
}

/// A two-port known at frequencies, as admittances in siemens: rows y11, y12, y21, y22.
///
/// Real and imaginary parts are interpolated linearly over log f.
#[derive(Debug, Clone, PartialEq)]
pub struct TwoPortTable {
    /// Frequencies, Hz, rising.
    pub frequency_hz: Vec<f64>,
    /// Admittances, S: `[y11, y12, y21, y22]` for each frequency.
    pub admittance_s: Vec<[Complex64; 4]>,
}

/// Index of the row below `f` and how far along, over log f; `None` outside.
fn find(frequency_hz: &[f64], f: f64) -> Option<(usize, f64)> {
    let (first, last) = (*frequency_hz.first()?, *frequency_hz.last()?);
    // A sweep that ends at the last row must not fail on rounding.
    let slack = 1e-9;
    if !(f >= first * (1.0 - slack) && f <= last * (1.0 + slack)) {
        return None;
    }
    if frequency_hz.len() == 1 {
        return Some((0, 0.0));
    }
    let i = frequency_hz.partition_point(|x| *x <= f).clamp(1, frequency_hz.len() - 1) - 1;
    let along = (f / frequency_hz[i]).ln() / (frequency_hz[i + 1] / frequency_hz[i]).ln();
    Some((i, along.clamp(0.0, 1.0)))
}

fn fault(frequency_hz: &[f64], rows: usize) -> Option<String> {
    if frequency_hz.is_empty() {
        return Some("the table is empty".into());
    }
    if frequency_hz.len() != rows {
        return Some(format!("the table has {} frequencies and {rows} values", frequency_hz.len()));
    }
    if !frequency_hz.iter().all(|f| f.is_finite() && *f > 0.0) {
        return Some("the table has a frequency that is not above zero".into());
    }
    frequency_hz
        .windows(2)
        .find(|w| w[1] <= w[0])
        .map(|w| format!("the table's frequencies do not rise: {} Hz is followed by {} Hz", w[0], w[1]))
}

impl Table {
    /// The impedance at a frequency; `None` outside the rows.
    pub fn at(&self, frequency_hz: f64) -> Option<Complex64> {
        let (i, along) = find(&self.frequency_hz, frequency_hz)?;
        let low = self.impedance_ohm[i];
        let Some(high) = self.impedance_ohm.get(i + 1).copied() else { return Some(low) };
        let mut turn = high.arg() - low.arg();
        if turn > std::f64::consts::PI {
            turn -= std::f64::consts::TAU;
        } else if turn < -std::f64::consts::PI {
            turn += std::f64::consts::TAU;
        }
        let size = low.norm().powf(1.0 - along) * high.norm().powf(along);
        Some(Complex64::from_polar(size, low.arg() + along * turn))
    }

    pub(crate) fn fault(&self) -> Option<String> {
        fault(&self.frequency_hz, self.impedance_ohm.len()).or_else(|| {
            self.impedance_ohm
                .iter()
                .position(|z| !z.is_finite() || z.norm() == 0.0)
                .map(|i| format!("the table's impedance at {} Hz is zero or no number", self.frequency_hz[i]))
        })
    }
}

impl TwoPortTable {
    /// The admittances at a frequency; `None` outside the rows.
    pub fn at(&self, frequency_hz: f64) -> Option<[Complex64; 4]> {
        let (i, along) = find(&self.frequency_hz, frequency_hz)?;
        let low = self.admittance_s[i];
        let high = self.admittance_s.get(i + 1).copied().unwrap_or(low);
        Some(std::array::from_fn(|k| low[k] * (1.0 - along) + high[k] * along))
    }

    /// From scattering parameters `[s11, s12, s21, s22]` with one real reference impedance, ohm.
    ///
    /// `None` where the two-port has no admittance form (an ideal through connection).
    pub fn from_scattering(frequency_hz: Vec<f64>, s: &[[Complex64; 4]], reference_ohm: f64) -> Option<Self> {
        let one = Complex64::new(1.0, 0.0);
        let mut rows = Vec::with_capacity(s.len());
        for [s11, s12, s21, s22] in s.iter().copied() {
            let d = (one + s11) * (one + s22) - s12 * s21;
            if d.norm() < 1e-12 {
                return None;
            }
            let k = (d * reference_ohm).inv();
            rows.push([
                ((one - s11) * (one + s22) + s12 * s21) * k,
                s12 * -2.0 * k,
                s21 * -2.0 * k,
                ((one + s11) * (one - s22) + s12 * s21) * k,
            ]);
        }
        Some(Self { frequency_hz, admittance_s: rows })
    }

    pub(crate) fn fault(&self) -> Option<String> {
        fault(&self.frequency_hz, self.admittance_s.len()).or_else(|| {
            self.admittance_s
                .iter()
                .position(|y| !y.iter().all(|v| v.is_finite()))
                .map(|i| format!("the table's admittance at {} Hz is no number", self.frequency_hz[i]))
        })
    }
}
