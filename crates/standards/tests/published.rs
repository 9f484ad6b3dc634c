//! The built-in data against transcriptions made apart from it, each naming its source.

use quantity::Unit;
use standards::{Detector, Known, Limit, LimitLibrary, LimitSearch, MeasurementKind, Port};

fn limit(id: &str) -> &'static Limit {
    LimitLibrary::embedded().get(id).unwrap_or_else(|| panic!("no limit `{id}`"))
}

/// Checks levels at frequencies in MHz.
fn holds(id: &str, levels: &[(f64, f64)], tolerance_db: f64) {
    for &(mhz, expected) in levels {
        let found = limit(id).at(mhz * 1e6).unwrap_or_else(|| panic!("{id}: no level at {mhz} MHz"));
        assert!((found - expected).abs() <= tolerance_db, "{id} at {mhz} MHz: {found}, expected {expected}");
    }
}

/// 47 CFR 15.109 (a), (b) as printed in the law (text revised 2010 and 2011, public copy): field strengths in microvolts
/// per metre; (c): "the tighter limit shall apply at the edge between two frequency bands". The rows are kept with two
/// decimals, hence 0.005 dB.
#[test]
fn radiated_limits_of_part_15_are_the_microvolts_of_the_law() {
    let uv = |uv_per_m: f64| 20.0 * uv_per_m.log10();
    let class_b = [
        (30.0, 100.0),
        (60.0, 100.0),
        (88.0, 100.0),
        (150.0, 150.0),
        (216.0, 150.0),
        (500.0, 200.0),
        (960.0, 200.0),
        (990.0, 500.0),
    ];
    holds("fcc15-109-b-field-3m", &class_b.map(|(f, e)| (f, uv(e))), 0.005);
    holds("fcc15-109-b-field-1ghz-av", &[(1000.0, uv(500.0)), (12_000.0, uv(500.0))], 0.005);
    let class_a = [
        (30.0, 90.0),
        (60.0, 90.0),
        (88.0, 90.0),
        (150.0, 150.0),
        (216.0, 150.0),
        (500.0, 210.0),
        (960.0, 210.0),
        (990.0, 300.0),
    ];
    holds("fcc15-109-a-field-10m", &class_a.map(|(f, e)| (f, uv(e))), 0.005);
    holds("fcc15-109-a-field-1ghz-av", &[(1000.0, uv(300.0)), (12_000.0, uv(300.0))], 0.005);
    assert_eq!(limit("fcc15-109-b-field-3m").distance_m, Some(3.0));
    assert_eq!(limit("fcc15-109-a-field-10m").distance_m, Some(10.0));
}

/// EN 55022 / CISPR 32 mains limits, classes A and B, as quoted in a public university course on conducted emission
/// (66 to 56, 56, 60 dBµV quasi-peak; 10 dB less in class B, 13 dB less in class A, for average). The corner at 5 MHz
/// takes the lower level; in the middle of 0.15 to 0.5 MHz on a logarithmic scale the level is halfway.
#[test]
fn mains_limits_have_the_published_corners() {
    let middle = (0.15f64 * 0.5).sqrt();
    holds(
        "cispr32-b-mains-qp",
        &[(0.15, 66.0), (middle, 61.0), (0.5, 56.0), (5.0, 56.0), (5.01, 60.0), (30.0, 60.0)],
        1e-6,
    );
    holds(
        "cispr32-b-mains-av",
        &[(0.15, 56.0), (middle, 51.0), (0.5, 46.0), (5.0, 46.0), (5.01, 50.0), (30.0, 50.0)],
        1e-6,
    );
    holds("cispr32-a-mains-qp", &[(0.15, 79.0), (0.499, 79.0), (0.5, 73.0), (30.0, 73.0)], 1e-6);
    holds("cispr32-a-mains-av", &[(0.15, 66.0), (0.499, 66.0), (0.5, 60.0), (30.0, 60.0)], 1e-6);
}

/// Common practice: 47 CFR 15.107, CISPR 11 group 1, IEC 61000-6-3 and -6-4 took over the mains limits of CISPR 22.
#[test]
fn mains_limits_that_were_taken_over_agree() {
    for (class, ids) in [
        ("b", ["fcc15-107-b-mains", "cispr11-g1-b-mains", "iec61000-6-3-b-mains"]),
        ("a", ["fcc15-107-a-mains", "cispr11-g1-a-mains", "iec61000-6-4-a-mains"]),
    ] {
        for detector in ["qp", "av"] {
            let first = limit(&format!("cispr32-{class}-mains-{detector}"));
            for id in ids {
                let other = limit(&format!("{id}-{detector}"));
                assert_eq!(first.level.points(), other.level.points(), "{id}-{detector}");
                assert_eq!((first.unit, first.detector, first.port), (other.unit, other.detector, other.port));
            }
        }
    }
}

/// From memory of CISPR 22/32: the current limits of wired network ports are the voltage limits over the 150 Ω common-mode
/// impedance of the asymmetric network, 20·log₁₀(150) = 43.5, rounded to 44 dB.
#[test]
fn wired_network_currents_are_the_voltages_over_150_ohms() {
    for class in ["a", "b"] {
        for detector in ["qp", "av"] {
            let volts = limit(&format!("cispr32-{class}-wired-voltage-{detector}"));
            let amperes = limit(&format!("cispr32-{class}-wired-current-{detector}"));
            assert_eq!((volts.unit, amperes.unit), (Unit::DbUv, Unit::DbUa));
            for f in [150e3, 300e3, 500e3, 30e6] {
                let ratio = volts.at(f).unwrap() - amperes.at(f).unwrap();
                assert!((ratio - 20.0 * 150f64.log10()).abs() < 0.51, "{class} {detector} at {f}: {ratio}");
            }
        }
    }
}

/// From memory of CISPR 32: at 3 m the limits are 10 dB above those at 10 m (20 dB a decade, rounded); above 1 GHz peak
/// is 20 dB above average.
#[test]
fn field_limits_keep_their_published_distances() {
    for class in ["a", "b"] {
        for f in [30e6, 230e6, 231e6, 1e9] {
            let near = limit(&format!("cispr32-{class}-field-3m")).at(f).unwrap();
            let far = limit(&format!("cispr32-{class}-field-10m")).at(f).unwrap();
            assert_eq!(near - far, 10.0);
        }
        for f in [1e9, 3e9, 4e9, 6e9] {
            let peak = limit(&format!("cispr32-{class}-field-1ghz-pk")).at(f).unwrap();
            let average = limit(&format!("cispr32-{class}-field-1ghz-av")).at(f).unwrap();
            assert_eq!(peak - average, 20.0);
        }
    }
    holds("cispr32-b-field-10m", &[(30.0, 30.0), (230.0, 30.0), (230.1, 37.0), (1000.0, 37.0)], 1e-9);
}

/// From memory of CISPR 14-1: disturbance power 45 dBpW at 30 MHz rising to 55 dBpW at 300 MHz *linearly* with frequency,
/// so 50 dBpW stand at 165 MHz (on a logarithmic scale it would be 94.9 MHz).
#[test]
fn disturbance_power_rises_linearly() {
    holds("cispr14-power-qp", &[(30.0, 45.0), (165.0, 50.0), (300.0, 55.0)], 1e-9);
    assert_eq!(limit("cispr14-power-qp").unit, Unit::DbPw);
    assert_eq!(limit("cispr14-power-qp").port, Port::Cable);
}

/// CISPR 16-4-2:2011+A1:2014, expanded (k = 2), from memory.
#[test]
fn published_uncertainties() {
    let expected = [3.8, 3.4, 2.9, 5.0, 3.9, 2.9, 4.5, 6.3, 5.3, 5.2, 5.5];
    for (kind, u) in MeasurementKind::ALL.into_iter().zip(expected) {
        let row = kind.published();
        assert_eq!(row.u_cispr_db, u, "{kind}");
        assert!(row.from_hz < row.to_hz);
        assert!(!row.source.is_empty());
    }
    let usual = |id, f| MeasurementKind::usual(limit(id), f);
    assert_eq!(usual("cispr32-b-mains-qp", 1e6), Some(MeasurementKind::MainsNetwork));
    assert_eq!(usual("cispr15-mains-qp", 50e3), Some(MeasurementKind::MainsNetworkLow));
    assert_eq!(usual("cispr32-b-wired-current-qp", 1e6), Some(MeasurementKind::CurrentProbe));
    assert_eq!(usual("cispr32-b-wired-voltage-qp", 1e6), Some(MeasurementKind::AsymmetricNetwork));
    assert_eq!(usual("cispr14-power-qp", 100e6), Some(MeasurementKind::DisturbancePower));
    assert_eq!(usual("cispr32-b-field-3m", 100e6), Some(MeasurementKind::FieldOpenSite));
    assert_eq!(usual("cispr32-b-field-1ghz-av", 2e9), Some(MeasurementKind::FieldGigahertz));
    assert_eq!(usual("fcc15-109-b-field-1ghz-av", 12e9), Some(MeasurementKind::FieldHighGigahertz));
}

#[test]
fn every_row_says_where_it_comes_from() {
    let all = LimitLibrary::embedded().all();
    assert_eq!(all.len(), 76);
    for l in all {
        assert!(!l.source.is_empty() && !l.standard.is_empty() && !l.title.is_empty(), "{}", l.id);
        assert_ne!(l.known, Known::User, "{}", l.id);
        assert_eq!(l.distance_m.is_some(), l.unit == Unit::DbUvPerM, "{}: a field has its distance", l.id);
    }
}

/// An average limit never lies above the quasi-peak limit it belongs to.
#[test]
fn average_is_never_above_quasi_peak() {
    let library = LimitLibrary::embedded();
    let mut pairs = 0;
    for quasi_peak in library.all().iter().filter(|l| l.detector == Detector::QuasiPeak) {
        let Some(stem) = quasi_peak.id.strip_suffix("-qp") else { continue };
        let Some(average) = library.get(&format!("{stem}-av")) else { continue };
        pairs += 1;
        for (f, _) in average.level.points() {
            assert!(average.at(*f).unwrap() < quasi_peak.at(*f).unwrap(), "{stem} at {f} Hz");
        }
    }
    assert!(pairs > 20, "{pairs}");
}

#[test]
fn searching_by_port_class_unit_and_words() {
    let library = LimitLibrary::embedded();
    let found = library.search(&LimitSearch {
        port: Some(Port::AcMains),
        class: Some("b".into()),
        unit: Some(Unit::DbUv),
        detector: Some(Detector::QuasiPeak),
        frequency_hz: Some(1e6),
        text: "multimedia".into(),
    });
    assert_eq!(found.iter().map(|l| l.id.as_str()).collect::<Vec<_>>(), ["cispr32-b-mains-qp"]);
    let none = library.search(&LimitSearch { frequency_hz: Some(1.0), ..LimitSearch::default() });
    assert!(none.is_empty());
    assert_eq!(library.search(&LimitSearch::default()).len(), library.all().len());
    assert_eq!(library.similar("cispr32-b-main-qp", 1), ["cispr32-b-mains-qp"]);
}

/// Compares with the facts the data was written from, where they are at hand.
#[test]
fn embedded_data_equals_the_reference() {
    let Some(folder) = std::env::var_os("HUSHFIELD_REFERENCE") else {
        println!("skipped: HUSHFIELD_REFERENCE does not name the folder of the reference data");
        return;
    };
    let file = std::path::Path::new(&folder).join("emission_limits.toml");
    let text = std::fs::read_to_string(&file).unwrap_or_else(|e| panic!("{}: {e}", file.display()));
    let mut reference = LimitLibrary::default();
    reference.add_toml(&text, "reference").unwrap();
    assert_eq!(reference.all().len(), LimitLibrary::embedded().all().len());
    for l in reference.all() {
        assert_eq!(l, limit(&l.id));
    }
}
