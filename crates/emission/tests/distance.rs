//! Distances and sites. Site attenuation: the theory of ANSI C63.4 (figures worked out from its formula by other means, to
//! 0.1 dB). Differences over a reflecting floor: the same geometry, source 0.8 m high.

use emission::distance::{Conversion, DistanceError, Polarisation, electric_dipole, line, magnetic_dipole};
use emission::site::{Measured, Scan, attenuation_db, compare};

const MEGAHERTZ: [f64; 10] = [30.0, 50.0, 80.0, 100.0, 150.0, 200.0, 300.0, 500.0, 700.0, 1000.0];
const THEORY: [(f64, Polarisation, [f64; 10]); 4] = [
    (3.0, Polarisation::Horizontal, [15.8, 7.8, 0.9, -2.0, -6.7, -9.6, -12.8, -17.3, -20.6, -23.5]),
    (3.0, Polarisation::Vertical, [8.2, 4.0, 0.6, -0.7, -1.8, -3.6, -10.5, -16.4, -18.4, -22.4]),
    (10.0, Polarisation::Horizontal, [29.8, 21.1, 13.3, 9.7, 3.9, 0.6, -3.3, -7.9, -10.8, -13.8]),
    (10.0, Polarisation::Vertical, [16.7, 12.3, 8.3, 6.4, 3.1, 1.0, -1.5, -6.7, -10.2, -13.6]),
];

#[test]
fn forty_figures_of_site_attenuation() {
    let mut worst = 0.0f64;
    for (distance, polarisation, row) in THEORY {
        for (f, published) in MEGAHERTZ.iter().zip(row) {
            let own = attenuation_db(f * 1e6, distance, 1.0, &Scan::default(), polarisation);
            worst = worst.max((own - published).abs());
            assert!(
                (own - published).abs() <= 0.1,
                "{distance} m {polarisation:?} {f} MHz: {own:.3}, published {published}"
            );
        }
    }
    println!("largest difference over 40 figures: {worst:.3} dB");
}

fn conversion(polarisation: Polarisation) -> Conversion {
    Conversion {
        from_m: 3.0,
        to_m: 10.0,
        product_m: 0.0,
        source_height_m: (0.8, 0.8),
        scan: Some(Scan::default()),
        polarisation: Some(polarisation),
    }
}

/// 3 to 10 m over a reflecting floor: 14.0, 12.4, 10.2, 9.4 dB horizontally, 8.8, 7.8, 6.7, 8.7 dB vertically at 30, 100,
/// 300 and 1000 MHz (ideal dipoles, source at 0.8 m).
#[test]
fn the_floor_makes_another_slope() {
    for (polarisation, falls) in
        [(Polarisation::Horizontal, [14.0, 12.4, 10.2, 9.4]), (Polarisation::Vertical, [8.8, 7.8, 6.7, 8.7])]
    {
        for (f, fall) in [30e6, 100e6, 300e6, 1e9].into_iter().zip(falls) {
            let d = conversion(polarisation).at(f).unwrap();
            assert!((-d.floor_most_db - fall).abs() <= 0.06, "{polarisation:?} {f}: {d:?}");
            assert_eq!(d.floor_least_db, d.floor_most_db);
            assert!((d.convention_db + 10.46).abs() < 0.003);
            assert!(d.least_db <= d.expected_db && d.expected_db <= d.most_db);
        }
    }
}

/// Without a floor a far source falls by 20 dB a decade; the elementary dipoles at kr = 1 by their closed forms: electric
/// |1 − j − 1| = 1, magnetic √2; at kr = 0.5 electric |1 − 2j − 4| = √13.
#[test]
fn closed_forms_of_the_near_field() {
    assert!((electric_dipole(1.0) - 1.0).abs() < 1e-12 && (magnetic_dipole(1.0) - 2f64.sqrt()).abs() < 1e-12);
    assert!((electric_dipole(0.5) - 13f64.sqrt()).abs() < 1e-12);
    let free = Conversion { scan: None, ..conversion(Polarisation::Vertical) };
    let far = free.at(1e9).unwrap();
    assert!(far.most_db - far.least_db < 0.01 && (far.expected_db + 10.457).abs() < 0.01);
    // 30 MHz at 3 m: kr = 1.886. Magnetic: √(1 + 1/3.558) = 1.132 → 1.07 dB, at 10 m 0.11 dB.
    let near = free.at(30e6).unwrap();
    assert!((near.convention_db - near.least_db - 0.97).abs() < 0.02, "{near:?}");
}

/// On the axis of a line the quadratic phase at D²/2λ is a quarter period at the ends (π/2·… = kD²/8r = π/2): the field is
/// |C(1) − jS(1)| = √(0.7799² + 0.4383²) = 0.8946 of the far one (Fresnel integrals, Abramowitz and Stegun table 7.8).
#[test]
fn an_extended_product_by_fresnel_integrals() {
    let (wavelength, length) = (0.3, 1.5);
    let r = length * length / (2.0 * wavelength);
    let k = std::f64::consts::TAU / wavelength;
    let own = line(k * r, length / r);
    assert!((own - 0.8946).abs() < 2e-4, "{own}");
    // At the usual far distance 2D²/λ it is 0.24 dB: |C(½) − jS(½)|/½ with C = 0.4923, S = 0.0647.
    let own = line(k * 4.0 * r, length / (4.0 * r));
    assert!((own - 0.9931).abs() < 2e-4, "{own}");
}

#[test]
fn a_band_holds_what_any_height_and_polarisation_does() {
    let wide = Conversion { source_height_m: (0.3, 1.8), polarisation: None, ..conversion(Polarisation::Vertical) };
    for f in [40e6, 130e6, 420e6, 900e6] {
        let band = wide.at(f).unwrap();
        for polarisation in [Polarisation::Horizontal, Polarisation::Vertical] {
            for height in [0.3, 0.8, 1.05, 1.8] {
                let one = Conversion { source_height_m: (height, height), ..conversion(polarisation) }.at(f).unwrap();
                assert!(one.least_db >= band.least_db - 0.3 && one.most_db <= band.most_db + 0.3, "{f} {height}");
            }
        }
        // Back again is the same band with the other sign.
        let back = Conversion { from_m: 10.0, to_m: 3.0, ..wide.clone() }.at(f).unwrap();
        assert!((back.least_db + band.most_db).abs() < 1e-9 && (back.most_db + band.least_db).abs() < 1e-9);
    }
}

#[test]
fn where_it_means_nothing_it_is_refused() {
    let c = conversion(Polarisation::Horizontal);
    // 10 MHz at 3 m: kr = 0.63.
    assert!(matches!(c.at(10e6), Err(DistanceError::NearField { kr, .. }) if (kr - 0.6288).abs() < 1e-3));
    let large = Conversion { product_m: 2.0, ..c.clone() };
    // 1 GHz: D²/2λ = 6.67 m; 100 MHz: 0.67 m, then D itself, 2 m.
    assert!(matches!(large.at(1e9), Err(DistanceError::TooLarge { needed_m, .. }) if (needed_m - 6.671).abs() < 0.01));
    assert!(large.at(100e6).is_ok());
    assert!(Conversion { product_m: 4.0, ..c.clone() }.at(100e6).is_err());
    assert!(matches!(Conversion { from_m: -3.0, ..c }.at(1e8), Err(DistanceError::Value { field: "from_m", .. })));
}

#[test]
fn a_site_against_theory() {
    let mut values = Vec::new();
    for (distance, polarisation, row) in THEORY {
        for (i, (f, nsa)) in MEGAHERTZ.iter().zip(row).enumerate() {
            // A site that is 2 dB off either way, once 3.
            let off = if i == 4 { 3.0 } else { 2.0 } * if i % 2 == 0 { 1.0 } else { -1.0 };
            values.push(Measured {
                frequency_hz: f * 1e6,
                attenuation_db: nsa + off,
                distance_m: distance,
                transmit_m: 1.0,
                polarisation,
            });
        }
    }
    let site = compare(&values, &Scan::default()).unwrap();
    assert!(site.accepted && site.notes.is_empty());
    assert!((site.largest_db - 3.0).abs() < 0.1 && site.largest_hz == 150e6);
    // GUM 4.3.7 and 4.3.9: a half-width of 3 dB has a standard uncertainty of 1.73 dB (rectangular), 1.22 dB (triangular).
    assert!((site.rectangular_standard_db - 1.73).abs() < 0.06 && (site.triangular_standard_db - 1.22).abs() < 0.05);
    values[7].attenuation_db += 6.5;
    let site = compare(&values, &Scan::default()).unwrap();
    assert!(!site.accepted && site.deviations.iter().filter(|d| !d.accepted).count() == 1);
    assert!(compare(&values[..3], &Scan::default()).unwrap().notes.len() == 2);
    assert!(compare(&[], &Scan::default()).is_err());
}
