//! Arithmetic of the radio-frequency rigs: power for a field, uniformity of a plane, setting of a conducted level.

use serde::Serialize;

/// Impedance of free space over 4π: `E = sqrt(30 P G)/d`.
const THIRTY: f64 = 30.0;
const SPEED_OF_LIGHT: f64 = 299_792_458.0;

/// A value that a calculation cannot work with.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
#[error("{field}: {found}; expected {expected}")]
pub struct RigError {
    /// Which input.
    pub field: &'static str,
    /// What it was.
    pub found: String,
    /// What would do.
    pub expected: &'static str,
}

pub(crate) fn positive(field: &'static str, value: f64) -> Result<f64, RigError> {
    if value.is_finite() && value > 0.0 {
        Ok(value)
    } else {
        Err(RigError { field, found: value.to_string(), expected: "a number above zero" })
    }
}

pub(crate) fn at_least_zero(field: &'static str, value: f64) -> Result<f64, RigError> {
    if value.is_finite() && value >= 0.0 {
        Ok(value)
    } else {
        Err(RigError { field, found: value.to_string(), expected: "a number not below zero" })
    }
}

/// Decibels of a ratio of powers, as the ratio.
pub fn from_db(db: f64) -> f64 {
    10f64.powf(db / 10.0)
}

/// Ratio of powers in decibels.
pub fn to_db(ratio: f64) -> f64 {
    10.0 * ratio.log10()
}

/// Power in dBm.
pub fn dbm(power_w: f64) -> f64 {
    to_db(power_w) + 30.0
}

/// Amplitude modulation by a sine: 0.8 for the 80 % of the immunity standards.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Modulation {
    /// Depth, 0 to 1.
    pub depth: f64,
}

impl Modulation {
    /// 80 %, 1 kHz.
    pub const AM80: Self = Self { depth: 0.8 };

    /// Peak of the envelope over the carrier (1.8 at 80 %: 5.1 dB).
    pub fn peak_factor(self) -> f64 {
        1.0 + self.depth
    }

    /// Mean power over the carrier's (1.32 at 80 %).
    pub fn mean_power_factor(self) -> f64 {
        1.0 + 0.5 * self.depth * self.depth
    }
}

/// Field in V/m of a power fed into an antenna, in the far field and free space.
pub fn field_v_per_m(power_w: f64, gain_dbi: f64, distance_m: f64) -> f64 {
    (THIRTY * power_w * from_db(gain_dbi)).sqrt() / distance_m
}

/// A radiated-immunity rig.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct FieldRig {
    /// Wanted field (rms of the carrier), V/m.
    pub field_v_per_m: f64,
    /// Distance from antenna to product, m.
    pub distance_m: f64,
    /// Gain of the antenna over isotropic, dB.
    pub gain_dbi: f64,
    /// Loss from amplifier to antenna, dB.
    pub loss_db: f64,
    /// Reserve for the uniformity of the plane and reflections, dB.
    pub reserve_db: f64,
    /// Reserve so that the amplifier still amplifies linearly at its 1 dB point, dB.
    pub backoff_db: f64,
    /// Modulation.
    pub modulation: Modulation,
    /// Frequency, Hz, where the near field is to be checked.
    pub frequency_hz: Option<f64>,
    /// Largest side of the antenna, m, for the same.
    pub aperture_m: Option<f64>,
}

/// What such a rig takes.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct FieldPower {
    /// Carrier power into the antenna, W.
    pub carrier_w: f64,
    /// The same at the peak of the modulation, W.
    pub peak_w: f64,
    /// Linear power (1 dB point) the amplifier should have, W.
    pub amplifier_w: f64,
    /// The same in dBm.
    pub amplifier_dbm: f64,
    /// Magnetic field that belongs to the electric one, A/m.
    pub magnetic_a_per_m: f64,
    /// Power density of the carrier, W/m².
    pub density_w_per_m2: f64,
    /// Peak of the modulation over the carrier, dB.
    pub peak_db: f64,
    /// Distance from which the far-field formula holds, m, where it was asked for.
    pub far_field_m: Option<f64>,
    /// What one should know.
    pub notes: Vec<String>,
}

/// Power for a field: `P = (E d)²/(30 G)`, times the square of the modulation peak, losses and reserves.
///
/// # Errors
/// Names the value that makes no sense.
pub fn field_power(rig: &FieldRig) -> Result<FieldPower, RigError> {
    let e = positive("field", rig.field_v_per_m)?;
    let d = positive("distance", rig.distance_m)?;
    at_least_zero("loss", rig.loss_db)?;
    at_least_zero("reserve", rig.reserve_db)?;
    at_least_zero("backoff", rig.backoff_db)?;
    let carrier_w = (e * d).powi(2) / (THIRTY * from_db(rig.gain_dbi));
    let peak = rig.modulation.peak_factor().powi(2);
    let amplifier_w = carrier_w * peak * from_db(rig.loss_db + rig.reserve_db + rig.backoff_db);
    let mut notes = Vec::new();
    let mut far_field_m = None;
    if let Some(f) = rig.frequency_hz {
        let lambda = SPEED_OF_LIGHT / positive("frequency", f)?;
        let aperture = rig.aperture_m.unwrap_or(0.0);
        let far = (2.0 * aperture * aperture / lambda).max(lambda / (2.0 * std::f64::consts::PI));
        far_field_m = Some(far);
        if d < far {
            notes.push(format!(
                "At {d} m the antenna is nearer than its far field ({far:.2} m here): the formula is a guess; measure the plane."
            ));
        }
    }
    if d < 1.0 {
        notes.push(
            "Below 1 m the field method does not hold (IEC 61000-4-3: 3 m preferred, never below 1 m; from memory)."
                .into(),
        );
    }
    Ok(FieldPower {
        carrier_w,
        peak_w: carrier_w * peak,
        amplifier_w,
        amplifier_dbm: dbm(amplifier_w),
        magnetic_a_per_m: e / (4.0 * std::f64::consts::PI * THIRTY),
        density_w_per_m2: e * e / (4.0 * std::f64::consts::PI * THIRTY),
        peak_db: to_db(peak),
        far_field_m,
        notes,
    })
}

/// The field that an amplifier of this linear power reaches with the modulation on, V/m: [`field_power`] turned round. The rig's
/// own field does not matter.
///
/// # Errors
/// Names the value that makes no sense.
pub fn reachable_field_v_per_m(power_w: f64, rig: &FieldRig) -> Result<f64, RigError> {
    let one = field_power(&FieldRig { field_v_per_m: 1.0, ..*rig })?;
    Ok((positive("power", power_w)? / one.amplifier_w).sqrt())
}

/// Gain over isotropic of an antenna by its factor into 50 ohm: `G = 20 lg(9.73/λ) − AF`, the same as
/// `20 lg(f/MHz) − AF − 29.79` (textbook).
///
/// # Errors
/// A frequency that is not positive.
pub fn gain_of_factor_dbi(factor_db_per_m: f64, frequency_hz: f64) -> Result<f64, RigError> {
    let lambda = SPEED_OF_LIGHT / positive("frequency", frequency_hz)?;
    // E = AF·U, U²/50 = E²/(120 pi)·G λ²/(4 pi), so AF² = 4 pi · 120 pi/(50 G λ²).
    let ratio = 4.0 * std::f64::consts::PI * 4.0 * std::f64::consts::PI * THIRTY / (50.0 * lambda * lambda);
    Ok(to_db(ratio) - factor_db_per_m)
}

/// Forward power for a level from the forward power of a calibration at another one, W: they go with the square (IEC 61000-4-3 and
/// -4-6 calibrate unmodulated, the field at 1.8 times the level so that the amplifier is known to reach the peak; from memory).
///
/// # Errors
/// Values that are not positive.
pub fn scaled_power_w(power_w: f64, calibrated: f64, wanted: f64) -> Result<f64, RigError> {
    Ok(positive("power", power_w)?
        * (positive("wanted level", wanted)? / positive("calibrated level", calibrated)?).powi(2))
}

/// How a plane is calibrated.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct PlaneRule {
    /// Spread allowed among the points that count, dB.
    pub spread_db: f64,
    /// Spread allowed at a few frequencies, dB.
    pub relaxed_db: f64,
    /// Part of the frequencies at which the relaxed spread is allowed.
    pub relaxed_part: f64,
    /// Part of the points that must lie in the spread.
    pub part: f64,
}

impl PlaneRule {
    /// 75 % of the points within 0 dB to 6 dB; up to 10 dB at 3 % of the frequencies if declared (IEC 61000-4-3, from memory).
    pub const IEC: Self = Self { spread_db: 6.0, relaxed_db: 10.0, relaxed_part: 0.03, part: 0.75 };

    /// Points that must lie inside: 12 of 16; of fewer than 16, all (the small area of 0.5 m sides).
    pub fn needed(&self, points: usize) -> usize {
        if points < 16 { points } else { (self.part * points as f64).ceil() as usize }
    }
}

/// The plane at one frequency.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Plane {
    /// It meets the spread.
    pub uniform: bool,
    /// It meets the relaxed spread.
    pub uniform_relaxed: bool,
    /// Smallest spread that the needed number of points lies in, dB.
    pub spread_db: f64,
    /// Field of the lowest of those points, V/m: the one that is set to the nominal field.
    pub reference_v_per_m: f64,
    /// That point, counted from 1.
    pub reference_point: usize,
    /// Points left out, counted from 1.
    pub left_out: Vec<usize>,
    /// The point farthest outside 0 dB to 6 dB over the reference, counted from 1, and its distance from that range, dB.
    pub worst_point: usize,
    /// See `worst_point`; 0 where all are inside.
    pub worst_excess_db: f64,
    /// Multiply the forward power of the measurement by this for the nominal field at the reference point.
    pub power_factor: f64,
}

/// Judges the fields measured at the points of a plane with constant forward power (V/m, any positive number of points).
///
/// The points are sorted; beginning with the highest it is looked whether enough points lie within the spread below it; else
/// the highest is left out and the next one tried. The lowest of those that remain is the reference.
///
/// # Errors
/// No points, or one that is not positive.
pub fn plane(fields_v_per_m: &[f64], nominal_v_per_m: f64, rule: &PlaneRule) -> Result<Plane, RigError> {
    positive("nominal field", nominal_v_per_m)?;
    if fields_v_per_m.is_empty() {
        return Err(RigError { field: "points", found: "none".into(), expected: "a field for each point" });
    }
    for f in fields_v_per_m {
        positive("field at a point", *f)?;
    }
    let needed = rule.needed(fields_v_per_m.len());
    let mut order: Vec<usize> = (0..fields_v_per_m.len()).collect();
    order.sort_by(|a, b| fields_v_per_m[*b].total_cmp(&fields_v_per_m[*a]));
    let db = |i: usize| 20.0 * fields_v_per_m[order[i]].log10();
    let inside = |top: usize, spread: f64| (top..order.len()).filter(|i| db(top) - db(*i) <= spread + 1e-9).count();
    let first = |spread: f64| (0..=order.len() - needed).find(|top| inside(*top, spread) >= needed);
    let smallest = (0..=order.len() - needed)
        .map(|top| (top, db(top) - db(top + needed - 1)))
        .min_by(|a, b| a.1.total_cmp(&b.1))
        .unwrap_or((0, 0.0));
    let strict = first(rule.spread_db);
    let relaxed = first(rule.relaxed_db);
    let (top, count) = match (strict, relaxed) {
        (Some(t), _) => (t, inside(t, rule.spread_db)),
        (None, Some(t)) => (t, inside(t, rule.relaxed_db)),
        (None, None) => (smallest.0, needed),
    };
    let reference = order[top + count - 1];
    let reference_v_per_m = fields_v_per_m[reference];
    let left_out: Vec<usize> =
        (0..order.len()).filter(|i| *i < top || *i >= top + count).map(|i| order[i] + 1).collect();
    let excess = |i: usize| {
        let over = 20.0 * (fields_v_per_m[i] / reference_v_per_m).log10();
        (over - rule.spread_db).max(-over).max(0.0)
    };
    let worst = (0..fields_v_per_m.len()).max_by(|a, b| excess(*a).total_cmp(&excess(*b))).unwrap_or(0);
    Ok(Plane {
        uniform: strict.is_some(),
        uniform_relaxed: relaxed.is_some(),
        spread_db: smallest.1,
        reference_v_per_m,
        reference_point: reference + 1,
        left_out,
        worst_point: worst + 1,
        worst_excess_db: excess(worst),
        power_factor: (nominal_v_per_m / reference_v_per_m).powi(2),
    })
}

/// How conducted RF gets onto a cable.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum Injection {
    /// Coupling/decoupling network.
    Network,
    /// Electromagnetic clamp: about 6 dB less.
    EmClamp,
    /// Current clamp (bulk injection): about 14 dB less.
    CurrentClamp,
    /// Straight onto a screen through 100 ohm.
    Direct,
}

impl Injection {
    /// Loss against a coupling network, dB (guide figures, from memory).
    pub const fn loss_db(self) -> f64 {
        match self {
            Self::Network | Self::Direct => 0.0,
            Self::EmClamp => 6.0,
            Self::CurrentClamp => 14.0,
        }
    }
}

/// Setting of a conducted-RF level.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct ConductedLevel {
    /// Level (e.m.f., rms of the carrier), V.
    pub emf_v: f64,
    /// The same, dBµV.
    pub emf_dbuv: f64,
    /// Reading to be set in the 150-to-50 ohm adapter, `U0/6`, V.
    pub adapter_v: f64,
    /// The same, dBµV.
    pub adapter_dbuv: f64,
    /// Current that is not to be exceeded where the far end is not 150 ohm, `U0/150`, A.
    pub current_limit_a: f64,
    /// Current into 150 ohm, `U0/300`, A.
    pub matched_current_a: f64,
    /// Carrier power at the network's input, W.
    pub carrier_w: f64,
    /// The same at the peak of the modulation, W.
    pub peak_w: f64,
    /// Power the amplifier should have, with pad and loss of the injection, W.
    pub amplifier_w: f64,
    /// An rms meter reads the modulated signal this much above the carrier, dB.
    pub rms_meter_db: f64,
    /// A peak meter this much, dB.
    pub peak_meter_db: f64,
}

/// Level, reading and amplifier power of a conducted-RF test: `P = (peak·U0/2)²/50`, pad and injection loss on top.
///
/// # Errors
/// Names the value that makes no sense.
pub fn conducted_level(
    emf_v: f64,
    injection: Injection,
    pad_db: f64,
    loss_db: f64,
    modulation: Modulation,
) -> Result<ConductedLevel, RigError> {
    let u0 = positive("level", emf_v)?;
    at_least_zero("pad", pad_db)?;
    at_least_zero("loss", loss_db)?;
    let carrier_w = (u0 / 2.0).powi(2) / 50.0;
    let peak_w = carrier_w * modulation.peak_factor().powi(2);
    let dbuv = |v: f64| 20.0 * v.log10() + 120.0;
    Ok(ConductedLevel {
        emf_v: u0,
        emf_dbuv: dbuv(u0),
        adapter_v: u0 / 6.0,
        adapter_dbuv: dbuv(u0 / 6.0),
        current_limit_a: u0 / 150.0,
        matched_current_a: u0 / 300.0,
        carrier_w,
        peak_w,
        amplifier_w: peak_w * from_db(pad_db + injection.loss_db() + loss_db),
        rms_meter_db: to_db(modulation.mean_power_factor()),
        peak_meter_db: 2.0 * to_db(modulation.peak_factor()),
    })
}
