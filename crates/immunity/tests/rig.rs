//! Rig arithmetic against worked figures (textbook formulas; guide figures of the standards from memory).

use immunity::coil::{Coil, flux_density_t};
use immunity::rig::{
    FieldRig, Injection, Modulation, PlaneRule, conducted_level, field_power, field_v_per_m, gain_of_factor_dbi, plane,
    reachable_field_v_per_m, scaled_power_w,
};

fn near(got: f64, want: f64, part: f64) {
    assert!((got / want - 1.0).abs() <= part, "{got} instead of {want}");
}

const RIG: FieldRig = FieldRig {
    field_v_per_m: 10.0,
    distance_m: 3.0,
    gain_dbi: 6.0,
    loss_db: 0.0,
    reserve_db: 6.0,
    backoff_db: 0.0,
    modulation: Modulation::AM80,
    frequency_hz: None,
    aperture_m: None,
};

#[test]
fn power_for_a_field() {
    // E = sqrt(30 P G)/d (textbook); worked by hand: (10·3)²/(30·3.98) = 7.54 W, ×3.24 = 24.4 W, ×3.98 = 97.3 W.
    let p = field_power(&RIG).unwrap();
    near(p.carrier_w, 7.54, 2e-3);
    near(p.peak_w, 24.4, 3e-3);
    near(p.amplifier_w, 97.3, 3e-3);
    near(p.magnetic_a_per_m, 26.5e-3, 2e-3);
    near(p.density_w_per_m2, 0.265, 2e-3);
    near(p.peak_db, 5.105, 1e-4);
    near(field_v_per_m(p.carrier_w, 6.0, 3.0), 10.0, 1e-12);
    // A hand-held transmitter of 2 W on a dipole (2.15 dBi): 33.1 V/m at 0.3 m.
    near(field_v_per_m(2.0, 2.15, 0.3), 33.1, 2e-3);
    let near_field =
        field_power(&FieldRig { frequency_hz: Some(80e6), aperture_m: Some(1.6), distance_m: 1.0, ..RIG }).unwrap();
    assert_eq!(near_field.notes.len(), 1);
    assert!(field_power(&FieldRig { distance_m: 0.0, ..RIG }).is_err());
}

#[test]
fn uniformity_of_a_plane() {
    // Twelve points from 10 to 19.9 V/m (5.98 dB), four far below: 75 % are inside, and the lowest of the twelve is the reference.
    let mut f: Vec<f64> = (0..12).map(|k| 10.0 * 10f64.powf(5.98 / 20.0 * f64::from(k) / 11.0)).collect();
    f.extend([3.0, 4.0, 5.0, 2.0]);
    let p = plane(&f, 18.0, &PlaneRule::IEC).unwrap();
    assert!(p.uniform && p.reference_point == 1 && p.left_out == [15, 14, 13, 16]);
    assert_eq!(p.worst_point, 16);
    near(p.worst_excess_db, 20.0 * 5f64.log10(), 1e-9);
    near(p.power_factor, 3.24, 1e-9);
    // One more below the twelve's range breaks it, but not the 10 dB one.
    f[11] = 24.0;
    let p = plane(&f, 18.0, &PlaneRule::IEC).unwrap();
    assert!(!p.uniform && p.uniform_relaxed);
    // A single hot point among fifteen equal ones is left out, not taken as the reference.
    let mut hot = vec![10.0; 16];
    hot[5] = 40.0;
    let p = plane(&hot, 10.0, &PlaneRule::IEC).unwrap();
    assert!(p.uniform && p.left_out == [6] && p.worst_point == 6);
    // Of four points all must be inside.
    assert!(!plane(&[10.0, 10.0, 10.0, 30.0], 10.0, &PlaneRule::IEC).unwrap().uniform);
}

#[test]
fn conducted_level_and_power() {
    // 10 V: 140 dBµV e.m.f., 124.4 dBµV in the adapter; guide figures of the standard for the amplifier 7 W, 28 W and 176 W
    // (from memory; they round the chain up at each step), exact 6.45, 25.7 and 162 W.
    let at = |i| conducted_level(10.0, i, 6.0, 0.0, Modulation::AM80).unwrap();
    let n = at(Injection::Network);
    near(n.emf_dbuv, 140.0, 1e-9);
    near(n.adapter_dbuv, 124.437, 1e-5);
    near(n.current_limit_a, 66.7e-3, 1e-3);
    near(n.amplifier_w, 6.45, 2e-3);
    near(n.rms_meter_db, 1.206, 1e-3);
    near(n.peak_meter_db, 5.105, 1e-4);
    near(at(Injection::EmClamp).amplifier_w, 25.7, 2e-3);
    near(at(Injection::CurrentClamp).amplifier_w, 162.0, 2e-3);
    assert!(at(Injection::Network).amplifier_w < 7.0 && at(Injection::CurrentClamp).amplifier_w < 176.0);
}

#[test]
fn frame_coils() {
    let square = Coil { width_m: 1.0, height_m: 1.0, turns: 1.0, pair_m: None };
    // Closed forms of the textbook: 2 sqrt(2)/(pi a) for a square, 2 sqrt(a²+b²)/(pi a b) for a rectangle.
    near(square.factor(), 2.0 * 2f64.sqrt() / std::f64::consts::PI, 1e-12);
    let tall = Coil { height_m: 2.6, ..square };
    near(tall.factor(), 2.0 * (1.0f64 + 2.6 * 2.6).sqrt() / (std::f64::consts::PI * 2.6), 1e-12);
    near(square.current_a(30.0).unwrap(), 33.3, 1e-3);
    near(flux_density_t(1000.0), 1257e-6, 1e-3);
    // Off the centre (computed once with another program): dB against the centre.
    let on_axis = [(0.1, -0.43), (0.2, -1.62), (0.25, -2.45), (0.28, -3.00)];
    for (z, db) in on_axis {
        assert!((square.deviation_db([0.0, 0.0, z]) - db).abs() < 0.01, "{z}: {}", square.deviation_db([0.0, 0.0, z]));
    }
    for (x, db) in [(0.1, 0.22), (0.2, 1.00), (0.3, 2.73)] {
        assert!((square.deviation_db([x, 0.0, 0.0]) - db).abs() < 0.01);
    }
    assert!((square.deviation_db([0.3, 0.3, 0.0]) - 4.57).abs() < 0.01);
    // A far dipole: H = m/(4 pi r³) beside it and twice that on the axis (textbook), within the loop's own size.
    near(square.field_per_a([0.0, 0.0, 40.0])[2], 2.0 / (4.0 * std::f64::consts::PI * 64000.0), 2e-3);
    near(-square.field_per_a([40.0, 0.0, 0.0])[2], 1.0 / (4.0 * std::f64::consts::PI * 64000.0), 2e-3);
    // Two coils 0.6 m apart: 1.219 per metre; 0.6 x 0.6 x 1.0 m within -2.66/+2.96 dB.
    let pair = Coil { pair_m: Some(0.6), ..square };
    near(pair.factor(), 1.219, 5e-4);
    let (lo, hi) = pair.box_deviation_db([0.6, 0.6, 1.0]);
    assert!((lo + 2.66).abs() < 0.02 && (hi - 2.96).abs() < 0.02, "{lo} {hi}");
    near(square.inductance_h(5e-3), 3.62e-6, 2e-3);
    near(square.inductance_h(2e-3), 4.35e-6, 2e-3);
    let reach = square.reach_m(3.0);
    near(reach[0], 0.31, 0.01);
    near(reach[2], 0.28, 0.01);
    let b = square.uniform_box_m(3.0, 1.0);
    let (lo, hi) = square.box_deviation_db(b);
    assert!(lo >= -3.001 && hi <= 3.001 && (lo < -2.99 || hi > 2.99));
    // Turns count once.
    near(Coil { turns: 10.0, ..square }.current_a(30.0).unwrap(), 3.33, 2e-3);
    assert!(Coil { width_m: -1.0, ..square }.current_a(3.0).is_err());
}

#[test]
fn from_the_amplifier_to_the_field() {
    // 97.3 W with 6 dB for the plane give back the 10 V/m of the worked example; a quarter of the power half the field.
    near(reachable_field_v_per_m(97.3, &RIG).unwrap(), 10.0, 2e-3);
    near(reachable_field_v_per_m(97.3 / 4.0, &RIG).unwrap(), 5.0, 2e-3);
    // Textbook: G = 20 lg(f/MHz) - AF - 29.79. A half-wave dipole (2.15 dBi) at 100 MHz has 8.06 dB/m.
    let gain = gain_of_factor_dbi(8.06, 100e6).unwrap();
    assert!((gain - (40.0 - 8.06 - 29.79)).abs() < 0.02 && (gain - 2.15).abs() < 0.02, "{gain}");
    // A plane calibrated at 18 V/m with 78.6 W: the test at 10 V/m takes 1/3.24 of it before modulation.
    near(scaled_power_w(78.6, 18.0, 10.0).unwrap(), 78.6 / 3.24, 1e-12);
    assert!(reachable_field_v_per_m(-1.0, &RIG).is_err() && gain_of_factor_dbi(8.0, 0.0).is_err());
    // Direct current: a coil has its field by the same law, and only its resistance asks for a voltage (H = 0.9003 N I/a).
    let coil = Coil { width_m: 1.0, height_m: 1.0, turns: 10.0, pair_m: None };
    near(coil.current_a(100.0).unwrap(), 100.0 / 9.003, 1e-3);
}
