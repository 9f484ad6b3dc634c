//! Our own trace file: exact text, the way there and back, and nothing half-written.

use emission::{Column, Trace};
use formats::sweep::{SweepChoices, describe, read_sweep};
use formats::trace_file::{TraceFileError, read_trace, sidecar_of, sidecar_path, trace_to_csv, write_trace};
use proptest::prelude::*;
use quantity::Unit;
use standards::Detector;

fn column(detector: Detector, level_db: Vec<f64>, lower_bound: Vec<bool>) -> Column {
    Column { detector: Some(detector), name: detector.name().to_owned(), level_db, lower_bound, floor_db: Vec::new() }
}

fn trace() -> Trace {
    Trace {
        frequency_hz: vec![150e3, 154.5e3, 159e3],
        unit: Some(Unit::DbUv),
        columns: vec![
            column(Detector::Peak, vec![60.123_44, 59.0, -0.000_01], vec![false; 3]),
            column(Detector::QuasiPeak, vec![58.0, f64::NAN, 57.1], vec![true, true, false]),
        ],
        bandwidth_hz: Some(9e3),
        impedance_ohm: Some(50.0),
        history: vec!["measured".to_owned()],
    }
}

/// The columns and decimals other programs rely on.
#[test]
fn the_text_is_exactly_this() {
    assert_eq!(
        trace_to_csv(&trace()).unwrap(),
        "frequency_hz,peak_dbuv,quasi_peak_dbuv,cispr_average_dbuv,rms_average_dbuv\n\
         150000.000,60.1234,58.0000,,\n\
         154500.000,59.0000,,,\n\
         159000.000,0.0000,57.1000,,\n"
    );
    let mut field = trace();
    field.unit = Some(Unit::DbUvPerM);
    field.columns.push(Column {
        detector: None,
        name: "Trace 1 (dBµV/m)".to_owned(),
        level_db: vec![1.0; 3],
        lower_bound: vec![],
        floor_db: vec![],
    });
    let text = trace_to_csv(&field).unwrap();
    assert!(text.starts_with("frequency_hz,peak_dbuv_per_m,quasi_peak_dbuv_per_m,cispr_average_dbuv_per_m,rms_average_dbuv_per_m,trace_1_db_v_m_dbuv_per_m\n"), "{text}");
}

#[test]
fn there_and_back_with_what_a_table_cannot_hold() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("run.csv");
    write_trace(&path, &trace(), Some("settled")).unwrap();
    let (back, sidecar) = read_trace(&path).unwrap();
    let sidecar = sidecar.unwrap();
    assert_eq!(sidecar.start.as_deref(), Some("settled"));
    assert_eq!(sidecar.lower_bound["quasi_peak"], [[1, 2]]);
    assert_eq!(sidecar.lower_bound["peak"], [[0usize; 2]; 0]);
    assert_eq!(back.frequency_hz, trace().frequency_hz);
    assert_eq!((back.unit, back.bandwidth_hz, back.impedance_ohm), (Some(Unit::DbUv), Some(9e3), Some(50.0)));
    assert_eq!(back.history, ["measured"]);
    assert_eq!(back.columns.len(), 2);
    assert_eq!(back.column(Detector::QuasiPeak).unwrap().lower_bound, [true, true, false]);
    assert_eq!(back.column(Detector::Peak).unwrap().level_db, [60.1234, 59.0, 0.0]);
    // Only the two files are there: no temporary one stays.
    let mut names: Vec<_> = std::fs::read_dir(folder.path()).unwrap().map(|e| e.unwrap().file_name()).collect();
    names.sort();
    assert_eq!(names, ["run.csv", "run.csv.json"]);
    // Without the JSON the CSV still tells units and detectors.
    std::fs::remove_file(sidecar_path(&path)).unwrap();
    assert!(read_trace(&path).unwrap().1.is_none());
}

#[test]
fn everything_is_recognised_from_the_header() {
    for unit in Unit::ALL {
        let mut t = trace();
        t.unit = Some(unit);
        let text = trace_to_csv(&t).unwrap();
        let reading = read_sweep(text.as_bytes(), "t.csv", &SweepChoices::default()).unwrap();
        assert_eq!(reading.trace.unit, Some(unit));
        assert!(reading.trace.column(Detector::Peak).is_some() && reading.trace.column(Detector::QuasiPeak).is_some());
        assert!(reading.understood.warnings.is_empty(), "{:?}", describe(&reading.understood));
    }
}

#[test]
fn faults_are_named_and_leave_nothing_behind() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("run.csv");
    let mut bad = trace();
    bad.unit = None;
    let said = write_trace(&path, &bad, None).unwrap_err().to_string();
    assert!(said.contains("run.csv: the levels have no unit"), "{said}");
    let mut short = trace();
    short.columns[0].level_db.pop();
    let said = write_trace(&path, &short, None).unwrap_err().to_string();
    assert!(said.contains("`peak` has 2 levels for 3 frequencies"), "{said}");
    let nowhere = folder.path().join("none/run.csv");
    assert!(matches!(write_trace(&nowhere, &trace(), None), Err(TraceFileError::Io { .. })));
    // The CSV's place is taken by a folder: the rename fails, and the temporary file goes.
    std::fs::create_dir(&path).unwrap();
    assert!(matches!(write_trace(&path, &trace(), None), Err(TraceFileError::Io { .. })));
    assert!(
        std::fs::read_dir(folder.path()).unwrap().all(|e| !e.unwrap().file_name().to_string_lossy().ends_with(".tmp"))
    );
    std::fs::remove_dir(&path).unwrap();
    assert!(matches!(read_trace(&path), Err(TraceFileError::Io { .. })));

    write_trace(&path, &trace(), None).unwrap();
    for (json, part) in [
        ("{", "line 1 column 1"),
        (r#"{"lower_bound":{"loudest":[]}}"#, "lower_bound.loudest names no detector"),
        (
            r#"{"lower_bound":{"peak":[[2,9]]}}"#,
            "lower_bound.peak has the rows 2 to 9: expected rising rows from 1 to 3",
        ),
    ] {
        std::fs::write(sidecar_path(&path), json).unwrap();
        let said = read_trace(&path).unwrap_err().to_string();
        assert!(said.contains("run.csv.json: ") && said.contains(part), "{said}");
    }
}

proptest! {
    /// What was written is read back within half of the last decimal, flags and all.
    #[test]
    fn any_trace_survives(
        rows in prop::collection::btree_map(9_000_000u64..18_000_000_000_000, (-150.0..200.0f64, any::<bool>(), any::<bool>()), 1..80),
        unit in prop::sample::select(Unit::ALL.to_vec()),
    ) {
        // Millihertz, so that the three decimals of the file hold each frequency exactly.
        let frequency_hz: Vec<f64> = rows.keys().map(|mhz| *mhz as f64 / 1000.0).collect();
        let levels: Vec<f64> = rows.values().map(|r| r.0).collect();
        let gappy: Vec<f64> = rows.values().enumerate().map(|(i, r)| if r.1 && i > 0 { f64::NAN } else { r.0 - 10.0 }).collect();
        let bounds: Vec<bool> = rows.values().map(|r| r.2).collect();
        let written = Trace {
            frequency_hz,
            unit: Some(unit),
            columns: vec![column(Detector::Peak, levels, bounds.clone()), column(Detector::RmsAverage, gappy, vec![])],
            bandwidth_hz: Some(120e3),
            impedance_ohm: None,
            history: vec![],
        };
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("t.csv");
        write_trace(&path, &written, Some("rest")).unwrap();
        let (back, sidecar) = read_trace(&path).unwrap();
        prop_assert_eq!(sidecar.unwrap(), sidecar_of(&written, Some("rest")));
        prop_assert_eq!(&back.frequency_hz, &written.frequency_hz);
        prop_assert_eq!(back.unit, written.unit);
        for c in &written.columns {
            let b = back.column(c.detector.unwrap()).unwrap();
            prop_assert_eq!(&b.lower_bound, &c.lower_bound);
            for (x, y) in b.level_db.iter().zip(&c.level_db) {
                prop_assert!((x.is_nan() && y.is_nan()) || (x - y).abs() <= 5.1e-5, "{} {}", x, y);
            }
        }
    }
}
