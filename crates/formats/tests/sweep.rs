//! Sweeps of many shapes, each with what must be read from it; and broken ones, each with the exact refusal.
//!
//! Unless said otherwise the numbers in the files are invented and the expected ones are those written there, so that
//! every check is against the text of the file. See `sweeps/LICENCES.md`.

use std::path::{Path, PathBuf};

use formats::sweep::{
    Candidate, DecimalSign, Delimiter, Order, Question, Role, SweepChoices, SweepError, SweepReading, convert_unit,
    describe, read_sweep,
};
use quantity::Unit;
use standards::Detector;

fn folder() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/sweeps")
}

fn read_with(file: &str, choices: &str) -> Result<SweepReading, SweepError> {
    let bytes = std::fs::read(folder().join(file)).unwrap_or_else(|e| panic!("{file}: {e}"));
    read_sweep(&bytes, file, &serde_json::from_str(choices).unwrap_or_else(|e| panic!("{file}: {e}")))
}

const PK: Option<Detector> = Some(Detector::Peak);
const QP: Option<Detector> = Some(Detector::QuasiPeak);
const AV: Option<Detector> = Some(Detector::CisprAverage);
const RMS: Option<Detector> = Some(Detector::RmsAverage);

/// What must come out of a file.
struct Expected {
    file: &'static str,
    /// JSON of the choices; `{}`: the reader alone.
    choices: &'static str,
    unit: Unit,
    detectors: &'static [Option<Detector>],
    rows: usize,
    /// First and last frequency, Hz.
    range_hz: (f64, f64),
    count: usize,
    /// Frequency in Hz, column, level.
    point: (f64, usize, f64),
    cut: Option<(Delimiter, Option<DecimalSign>)>,
    preamble: usize,
    /// Parts of what must be said.
    said: &'static [&'static str],
}

#[rustfmt::skip]
fn expected() -> Vec<Expected> {
    use DecimalSign::{Comma as DC, Point as DP};
    use Delimiter::{Comma, Semicolon, Space, Tab};
    let e = |file, choices, unit, detectors, rows, range_hz, count, point, cut, preamble, said| Expected { file, choices, unit, detectors, rows, range_hz, count, point, cut: Some(cut), preamble, said };
    let band = (150e3, 30e6);
    let mut all = vec![
        e("comma_point_units_in_header.csv", "{}", Unit::DbUv, &[None], 6, band, 6, (1e6, 0, 45.25), (Comma, Some(DP)), 0, &["ASCII", "names in line 1", "detector not known"]),
        e("semicolon_decimal_comma_utf16.csv", "{}", Unit::DbUv, &[None], 6, band, 6, (1e6, 0, 45.25), (Semicolon, Some(DC)), 0, &["UTF-16, low byte first with byte-order mark"]),
        e("semicolon_decimal_comma_utf16_big_endian_no_mark.csv", "{}", Unit::DbUv, &[None], 6, band, 6, (10e6, 0, 39.75), (Semicolon, Some(DC)), 0, &["UTF-16, high byte first,"]),
        e("tab_units_row.txt", "{}", Unit::DbUv, &[PK, AV], 6, band, 6, (1e6, 1, 33.25), (Tab, Some(DP)), 0, &["units in line 2", "peak detector", "CISPR-average detector"]),
        e("blanks_aligned_comment_header.txt", "{}", Unit::Dbm, &[None], 6, band, 6, (150e3, 0, -54.7), (Space, Some(DP)), 1, &["parted by blanks", "names in line 2"]),
        e("semicolon_latin1_micro_sign.csv", "{}", Unit::DbUv, &[QP, AV], 6, band, 6, (500e3, 1, 38.1), (Semicolon, Some(DC)), 1, &["Latin-1", "frequencies in kHz", "is taken as the CISPR-average"]),
        e("utf8_mark_kilohertz.csv", "{}", Unit::DbUv, &[None], 6, band, 6, (5e6, 0, 41.0), (Comma, Some(DP)), 0, &["UTF-8 with byte-order mark"]),
        e("forty_preamble_lines_trailing_comma.csv", "{}", Unit::Dbm, &[PK], 6, band, 6, (150e3, 0, -54.7), (Comma, Some(DP)), 40, &["40 lines before the table", "bandwidth 9 kHz", "impedance 50 Ω", "levels in dBm (line 3, the preamble)", "frequencies in Hz (line 10, the preamble)", "was never looked at"]),
        e("no_header_hertz_the_only_possible.csv", r#"{"level_unit":"dBuV"}"#, Unit::DbUv, &[None], 6, band, 6, (30e6, 0, 60.5), (Comma, Some(DP)), 0, &["only Hz puts every frequency between 9 kHz and 18 GHz"]),
        e("four_detectors_field_names.csv", "{}", Unit::DbUv, &[PK, QP, AV, RMS], 3, (150e3, 159e3), 3, (150e3, 0, 60.1234), (Comma, Some(DP)), 0, &["every 4.5 kHz", "2 cells have no level"]),
        e("counter_column_first.csv", "{}", Unit::DbUv, &[QP, AV], 6, band, 6, (1e6, 1, 35.75), (Semicolon, Some(DC)), 0, &["column 1 `No.`: counter"]),
        e("empty_first_header_cell.csv", "{}", Unit::DbUv, &[RMS], 6, band, 6, (1e6, 0, 45.25), (Comma, Some(DP)), 0, &["units in line 2"]),
        e("frequencies_fall.csv", "{}", Unit::DbUv, &[None], 6, band, 6, (150e3, 0, 52.3), (Semicolon, Some(DP)), 0, &["frequencies fall in the file: turned round"]),
        e("frequencies_repeat_three_passes.csv", "{}", Unit::DbUv, &[PK], 9, (150e3, 170e3), 3, (150e3, 0, 42.0), (Comma, None), 0, &["6 rows repeat a frequency", "sorted"]),
        e("frequencies_repeat_three_passes.csv", r#"{"repeats":"last"}"#, Unit::DbUv, &[PK], 9, (150e3, 170e3), 3, (160e3, 0, 48.0), (Comma, None), 0, &[]),
        e("unevenly_spaced.csv", "{}", Unit::DbUv, &[None], 6, (9e3, 149_999.5), 6, (10e3, 0, 66.5), (Comma, Some(DP)), 0, &["100 Hz to 129.9995 kHz apart"]),
        // 1 mV is 60 dBµV, 1 µV is 0 dBµV, 25 µV is 20·log₁₀ 25 = 27.96 dBµV (definition of the decibel).
        e("linear_volts_exponents.csv", "{}", Unit::DbUv, &[None], 4, band, 4, (30e6, 0, 27.958_800_173), (Semicolon, Some(DC)), 0, &["V (r.m.s.) to dBµV", "exactly zero"]),
        // 1 pW is −90 dBm (definition).
        e("linear_watts.csv", "{}", Unit::Dbm, &[None], 3, (100e6, 1e9), 3, (100e6, 0, -90.0), (Comma, Some(DP)), 0, &["W to dBm"]),
        e("millivolts_rms.txt", "{}", Unit::DbUv, &[None], 3, (150e3, 300e3), 3, (200e3, 0, 40.0), (Space, Some(DP)), 0, &["mV (r.m.s.) to dBµV"]),
        e("field_strength_gigahertz.csv", "{}", Unit::DbUvPerM, &[PK, AV], 3, (1e9, 6e9), 3, (2.5e9, 0, 47.5), (Comma, Some(DP)), 0, &["level in dBuV/m, peak detector"]),
        e("probe_current.txt", "{}", Unit::DbUa, &[None], 3, band, 3, (30e6, 0, 12.25), (Tab, Some(DP)), 0, &["UTF-8"]),
        e("magnetic_field_brackets.csv", "{}", Unit::DbUaPerM, &[None], 3, (9e3, 150e3), 3, (50e3, 0, 41.0), (Comma, Some(DP)), 0, &["dBuA/m"]),
        e("disturbance_power_decimal_comma.csv", "{}", Unit::DbPw, &[None], 3, (30e6, 300e6), 3, (100e6, 0, 41.25), (Semicolon, Some(DC)), 0, &["dBpW"]),
        e("thousands_apostrophe.csv", "{}", Unit::DbUv, &[None], 3, band, 3, (1e6, 0, 45.25), (Semicolon, Some(DP)), 0, &[]),
        e("thousands_blank_decimal_comma.csv", "{}", Unit::DbUv, &[None], 3, (150_000.5, 30e6), 3, (1e6, 0, 45.25), (Semicolon, Some(DC)), 0, &[]),
        e("thousands_comma_quoted.csv", "{}", Unit::DbUv, &[None], 3, band, 3, (1e6, 0, 45.25), (Comma, Some(DP)), 0, &[]),
        e("quoted_decimal_comma.csv", "{}", Unit::DbUv, &[None], 3, band, 3, (1e6, 0, 45.25), (Comma, Some(DC)), 0, &["decimal comma"]),
        e("end_of_text_mark.csv", "{}", Unit::DbUv, &[None], 2, band, 2, (150e3, 0, 52.3), (Comma, Some(DP)), 0, &[]),
        e("unit_in_every_cell.csv", "{}", Unit::DbUv, &[None], 3, band, 3, (1.5e6, 0, 45.25), (Semicolon, Some(DP)), 0, &["written in the cells"]),
        e("comma_between_and_inside.csv", "{}", Unit::DbUv, &[QP], 3, band, 3, (1e6, 0, 45.25), (Comma, Some(DC)), 0, &["cells were joined in pairs"]),
        e("final_list_with_words.csv", "{}", Unit::DbUv, &[QP, AV], 3, (168e3, 12.4e6), 3, (12.4e6, 1, 49.0), (Semicolon, Some(DP)), 0, &["`Limit QP (dBµV)`: not read", "`Margin (dB)`: not read", "`Bandwidth (kHz)`: not read"]),
        e("carriage_return_only.txt", "{}", Unit::DbUv, &[None], 2, band, 2, (150e3, 0, 52.3), (Semicolon, Some(DP)), 0, &[]),
        e("two_tables.csv", r#"{"table":1}"#, Unit::DbUv, &[None], 3, band, 3, (1e6, 0, 55.0), (Comma, Some(DP)), 1, &[]),
        e("two_tables.csv", r#"{"table":2}"#, Unit::DbUv, &[AV], 3, band, 3, (1e6, 0, 35.0), (Comma, Some(DP)), 7, &["names in line 8"]),
        e("scan_log_two_passes.csv", r#"{"level_unit":"dBm","detectors":{"*":"peak"}}"#, Unit::Dbm, &[PK], 8, (150e3, 300e3), 4, (200e3, 0, -50.0), (Comma, Some(DP)), 0, &["scan log", "4 rows repeat a frequency"]),
        e("levels_missing.csv", "{}", Unit::DbUv, &[QP, AV], 3, band, 3, (1e6, 1, 30.5), (Comma, Some(DP)), 0, &["2 cells have no level"]),
        e("colon_preamble_detector_said_once.txt", "{}", Unit::DbUv, &[AV], 6, band, 6, (1e6, 0, 45.25), (Semicolon, Some(DP)), 5, &["bandwidth 9 kHz", "impedance 50 Ω", "detector `Average` of line 2"]),
        e("gap_in_the_axis.csv", "{}", Unit::DbUv, &[None], 80, (150e3, 1_175.5e3), 80, (1e6, 0, 40.0), (Comma, Some(DP)), 0, &["nothing between 325.5 kHz and 1 MHz"]),
        e("one_row.csv", "{}", Unit::DbUv, &[QP], 1, (12.4e6, 12.4e6), 1, (12.4e6, 0, 57.9), (Comma, Some(DP)), 0, &["1 row, 1 frequency"]),
        e("logarithmic_grid_coarse_for_its_bandwidth.csv", "{}", Unit::DbUv, &[None], 60, (150e3, 2_668_455.128), 60, (150e3, 0, 50.0), (Comma, Some(DP)), 1, &["bandwidth 9 kHz", "79.06 % of the band was never looked at"]),
        e("lowest_and_highest_hold.csv", "{}", Unit::Dbm, &[PK, None], 3, (30e6, 32e6), 3, (31e6, 1, -81.0), (Comma, None), 1, &[]),
        e("markdown_rule_under_header.txt", "{}", Unit::DbUv, &[None], 2, band, 2, (150e3, 0, 52.3), (Semicolon, Some(DP)), 0, &["first row in line 3"]),
        e("words_after_the_table.csv", "{}", Unit::DbUv, &[None], 3, band, 3, (1e6, 0, 45.25), (Comma, Some(DP)), 0, &["lines 6 to 6, after the table, are not read"]),
        e("from_zero_hertz.csv", "{}", Unit::Dbm, &[None], 2, (1e6, 2e6), 2, (2e6, 0, -82.0), (Comma, None), 0, &["rows at 0 Hz are not read (1)"]),
        e("units_beside_the_numbers.txt", "{}", Unit::DbUv, &[None], 3, (30e6, 50e6), 3, (40e6, 0, 44.2), (Space, Some(DP)), 0, &["level in dBuV"]),
        e("rows_of_separators_only.csv", "{}", Unit::DbUv, &[None], 3, (150e3, 170e3), 3, (170e3, 0, 42.0), (Comma, Some(DP)), 0, &[]),
        e("decibel_volts.csv", "{}", Unit::DbUv, &[None], 2, (1e6, 2e6), 2, (1e6, 0, 40.0), (Comma, None), 0, &["dBV to dBµV"]),
        // Real: the levels are those in the text.
        e("scan_log_three_rows.csv", r#"{"level_unit":"dBm"}"#, Unit::Dbm, &[None], 3, (24e6, 26e6), 3, (26e6, 0, 14.07), (Comma, Some(DP)), 0, &["lower edge of its step"]),
    ];
    // Real: linear watts, 1001 points of 3 MHz from 0 Hz; the maximum (−29.21 dBm at 96 MHz) was worked out with NumPy.
    all.push(Expected {
        file: "watts_binary_curve.isf", choices: "{}", unit: Unit::Dbm, detectors: &[None], rows: 1000, range_hz: (3e6, 3e9), count: 1000,
        point: (96e6, 0, -29.205_08), cut: None, preamble: 0, said: &["high byte first", "W to dBm"],
    });
    // What nobody could guess becomes readable by a choice.
    let chosen = |file, choices, unit, detectors, point, cut| Expected { file, choices, unit, detectors, rows: 3, range_hz: (0.0, 0.0), count: 3, point, cut: Some(cut), preamble: 0, said: &["chosen"] };
    all.extend([
        chosen("broken_no_unit_anywhere.csv", r#"{"level_unit":"dBuV","frequency_unit":"MHz"}"#, Unit::DbUv, &[None], (1e9, 0, 41.5), (Comma, Some(DP))),
        chosen("broken_megahertz_or_kilohertz.csv", r#"{"frequency_unit":"kHz"}"#, Unit::DbUv, &[None], (1e6, 0, 41.5), (Comma, Some(DP))),
        chosen("broken_thousands_or_decimal_comma.csv", r#"{"decimal":"comma","frequency_unit":"kHz"}"#, Unit::DbUv, &[None], (150e3, 0, 45.0), (Semicolon, Some(DC))),
        chosen("broken_thousands_or_decimal_comma.csv", r#"{"decimal":"point","frequency_unit":"kHz"}"#, Unit::DbUv, &[None], (150e6, 0, 45.0), (Semicolon, Some(DP))),
        chosen("broken_commas_cut_two_ways.csv", r#"{"decimal":"comma","frequency_unit":"MHz","level_unit":"dBuV"}"#, Unit::DbUv, &[None], (30.5e6, 0, 45.2), (Comma, Some(DC))),
        chosen("field_strength_gigahertz.csv", r#"{"frequency_column":1,"level_columns":[3],"detectors":{"3":"rms_average"}}"#, Unit::DbUvPerM, &[RMS], (1e9, 0, 31.0), (Comma, Some(DP))),
        chosen("field_strength_gigahertz.csv", r#"{"frequency_column":"frequency (ghz)","level_columns":["Pk level dB(uV/m)"]}"#, Unit::DbUvPerM, &[PK], (1e9, 0, 44.0), (Comma, Some(DP))),
    ]);
    all
}

#[test]
fn every_shape_is_read() {
    let mut shapes = std::collections::BTreeSet::new();
    for e in expected() {
        let what = format!("{} with {}", e.file, e.choices);
        let SweepReading { trace, understood: u } =
            read_with(e.file, e.choices).unwrap_or_else(|error| panic!("{what}: {error}"));
        let said = describe(&u).join("\n");
        assert_eq!(trace.unit, Some(e.unit), "{what}");
        assert_eq!(trace.columns.iter().map(|c| c.detector).collect::<Vec<_>>(), e.detectors, "{what}\n{said}");
        assert_eq!((u.rows, u.count), (e.rows, e.count), "{what}");
        assert_eq!(trace.frequency_hz.len(), e.count, "{what}");
        assert!(trace.frequency_hz.windows(2).all(|w| w[0] < w[1]), "{what}");
        if e.range_hz.0 > 0.0 {
            let near = |a: f64, b: f64| (a - b).abs() <= 1e-9 * b;
            assert!(near(u.from_hz, e.range_hz.0) && near(u.to_hz, e.range_hz.1), "{what}: {} {}", u.from_hz, u.to_hz);
        }
        let (f, column, level) = e.point;
        let row = trace.frequency_hz.iter().position(|x| (x - f).abs() < 1e-6 * f);
        let row = row.unwrap_or_else(|| panic!("{what}: no {f} Hz in {:?}", trace.frequency_hz));
        let there = trace.columns[column].level_db[row];
        assert!((there - level).abs() < 1e-5, "{what}: {there} at {f} Hz");
        assert_eq!(u.delimiter.map(|d| (d, u.decimal)), e.cut, "{what}");
        assert_eq!(u.preamble_lines, e.preamble, "{what}");
        for part in e.said {
            assert!(said.contains(part), "{what}: `{part}` is not in\n{said}");
        }
        assert!(!trace.history.is_empty(), "{what}");
        shapes.insert(e.file);
    }
    assert!(shapes.len() >= 25, "{} shapes", shapes.len());
    // No fixture without an expectation.
    for entry in std::fs::read_dir(folder()).unwrap() {
        let name = entry.unwrap().file_name().into_string().unwrap();
        assert!(
            shapes.contains(name.as_str())
                || name.starts_with("broken_")
                || name.starts_with('.')
                || name == "LICENCES.md",
            "{name} has no expectation"
        );
    }
}

#[test]
fn a_missing_level_is_a_gap_and_not_a_number() {
    let trace = read_with("levels_missing.csv", "{}").unwrap().trace;
    assert!(trace.columns[0].level_db[1].is_nan());
    assert!(trace.columns[1].level_db[0].is_nan());
    assert_eq!(read_with("frequencies_fall.csv", "{}").unwrap().understood.order, Order::Falling);
}

/// Broken files whose fault lies in one place, with the whole message.
#[test]
fn faults_are_named_with_file_line_and_expectation() {
    let level = "a level, or an empty cell where there is none";
    for (file, choices, message) in [
        ("broken_empty.csv", "{}", "broken_empty.csv: the file is empty: expected rows of a frequency and a level".to_owned()),
        ("broken_only_blank_lines.csv", "{}", "broken_only_blank_lines.csv: the file is empty: expected rows of a frequency and a level".to_owned()),
        ("broken_frequency_not_a_number.csv", "{}", "broken_frequency_not_a_number.csv, line 3, column 1: `NaN` is no frequency: expected a positive number".to_owned()),
        ("broken_frequency_infinite.csv", "{}", "broken_frequency_infinite.csv, line 3, column 1: frequency `inf` is infinite: expected a positive number".to_owned()),
        ("broken_frequency_negative.csv", "{}", "broken_frequency_negative.csv, line 4, column 1: frequency -1 is negative: expected a positive number (is this a record over time?)".to_owned()),
        ("broken_frequency_a_word.csv", "{}", "broken_frequency_a_word.csv, line 3, column 1: `abc` is no frequency: expected a positive number".to_owned()),
        ("broken_level_a_word.csv", "{}", format!("broken_level_a_word.csv, line 3, column 2: `5O.1` is no number: expected {level}")),
        ("broken_level_infinite.csv", "{}", format!("broken_level_infinite.csv, line 3, column 2: level `inf` is infinite: expected {}", level.replace("a level", "a finite level"))),
        ("broken_row_cut_short.csv", "{}", "broken_row_cut_short.csv, line 4, column 2: the row ends after 1 of 2 cells: expected a level in every row (an empty cell where there is none)".to_owned()),
        ("broken_row_too_long.csv", "{}", "broken_row_too_long.csv, line 4: 4 cells: expected 2, as in the rows before (a decimal sign read as a delimiter?)".to_owned()),
        ("broken_unit_changes.txt", "{}", "broken_unit_changes.txt, line 2, column 2: the unit changes to `GHz`: expected `MHz`, as in the rows before".to_owned()),
        ("broken_only_words.txt", "{}", "broken_only_words.txt: no table found (2 lines, the first `this is a letter`: none has two numbers side by side): expected rows of at least a frequency and a level".to_owned()),
        ("broken_time_record.csv", "{}", "broken_time_record.csv: no table found (column 1 `Time (s)` is a time: this is a record over time, no sweep): expected rows of at least a frequency and a level".to_owned()),
        ("broken_negative_volts.csv", "{}", "broken_negative_volts.csv, line 3, column 2: -0.001 V is negative: expected an r.m.s. value or a power; levels in decibels have a unit such as dBuV".to_owned()),
        ("broken_utf16_odd_length.csv", "{}", "broken_utf16_odd_length.csv: UTF-16, low byte first, but an odd number of bytes (79): expected whole 16-bit units".to_owned()),
        ("broken_binary.csv", "{}", "broken_binary.csv: control character 0x1a at character 8 of the text: expected a text file with a table".to_owned()),
        ("broken_json.csv", "{}", "broken_json.csv: no table found (this is a JSON document): expected rows of at least a frequency and a level".to_owned()),
        ("broken_curve_cut_short.isf", "{}", "broken_curve_cut_short.isf, line 1: the block ends after 8 bytes: expected the 12 bytes it announces".to_owned()),
        ("broken_scan_log_levels_missing.csv", r#"{"level_unit":"dBm"}"#, "broken_scan_log_levels_missing.csv, line 1, column 7: 2 levels from 150000 Hz to 350000 Hz in steps of 50000 Hz: expected 4 levels, or one more that repeats the last".to_owned()),
        ("frequencies_repeat_three_passes.csv", r#"{"repeats":"refuse"}"#, "frequencies_repeat_three_passes.csv, line 5: 150 kHz comes a second time: expected each frequency once, as the choice `repeats` asks".to_owned()),
        ("one_row.csv", r#"{"skip_lines":9}"#, "one_row.csv: choice `skip_lines`: 9 lines are to be passed over: expected fewer than the 2 lines there are".to_owned()),
        ("one_row.csv", r#"{"level_columns":[7]}"#, "one_row.csv: choice `level_columns`: there is no column 7: expected one of 1 `Frequency (MHz)`, 2 `QP (dBuV)`".to_owned()),
        ("one_row.csv", r#"{"table":2}"#, "one_row.csv: choice `table`: there is no table 2: expected 1 to 1".to_owned()),
        ("one_row.csv", r#"{"impedance_ohm":-50}"#, "one_row.csv: choice `impedance_ohm`: -50: expected a positive number".to_owned()),
        ("semicolon_latin1_micro_sign.csv", r#"{"encoding":"utf-8"}"#, "semicolon_latin1_micro_sign.csv: byte 33 is no UTF-8: expected UTF-8 text, or the choice `encoding` (utf-16le, utf-16be, latin-1)".to_owned()),
        ("one_row.csv", r#"{"convert_to":"dBuV/m"}"#, "one_row.csv: dBµV cannot become dBµV/m: an antenna factor (dB/m) is needed between voltage and field".to_owned()),
    ] {
        match read_with(file, choices) {
            Ok(r) => panic!("{file} was read: {:?}", describe(&r.understood)),
            Err(error) => assert_eq!(error.to_string(), message),
        }
    }
}

#[test]
fn a_sweep_beyond_all_bounds_is_refused_before_it_fills_the_memory() {
    let text = "1\n".repeat(20_030_000);
    let error = read_sweep(text.as_bytes(), "endless.csv", &SweepChoices::default()).unwrap_err();
    assert_eq!(error.to_string(), "endless.csv: 20029999 rows is more than the 20000000 rows a sweep may have");
}

fn questions(file: &str, choices: &str) -> Vec<Question> {
    match read_with(file, choices) {
        Err(SweepError::Ambiguous { name, questions }) => {
            assert_eq!(name, file);
            questions
        }
        other => panic!("{file}: {other:?}"),
    }
}

/// Files that allow more than one reading, with the choice that settles each and the readings offered.
#[test]
fn nothing_is_guessed_where_two_readings_are_possible() {
    for (file, expected) in [
        (
            "broken_decibels_without_reference.csv",
            vec![("level_unit", vec!["dBuV", "dBm", "dBuV/m", "dBuA", "dBuA/m", "dBpW"])],
        ),
        (
            "broken_no_unit_anywhere.csv",
            vec![
                ("frequency_unit", vec!["kHz", "MHz"]),
                ("level_unit", vec!["dBuV", "dBm", "dBuV/m", "dBuA", "dBuA/m", "dBpW", "V", "W"]),
            ],
        ),
        ("broken_megahertz_or_kilohertz.csv", vec![("frequency_unit", vec!["kHz", "MHz"])]),
        ("broken_thousands_or_decimal_comma.csv", vec![("decimal", vec!["comma", "point"])]),
        ("broken_units_contradict.csv", vec![("level_unit", vec!["dBuV", "dBm"])]),
        ("broken_two_frequency_columns.csv", vec![("frequency_column", vec!["1", "2"])]),
        ("broken_units_do_not_mix.csv", vec![("level_columns", vec!["2", "3"])]),
        (
            "broken_unit_unknown.csv",
            vec![("level_unit", vec!["dBuV", "dBm", "dBuV/m", "dBuA", "dBuA/m", "dBpW", "V", "W"])],
        ),
        ("two_tables.csv", vec![("table", vec!["1", "2"])]),
        ("scan_log_three_rows.csv", vec![("level_unit", vec!["dBm", "dBuV", "dBuV/m"])]),
    ] {
        let asked = questions(file, "{}");
        let got: Vec<(&str, Vec<&str>)> = asked
            .iter()
            .map(|q| (q.choice.as_str(), q.candidates.iter().map(|c| c.value.as_str()).collect()))
            .collect();
        assert_eq!(got, expected, "{file}");
    }
    let asked = questions("broken_commas_cut_two_ways.csv", "{}");
    assert_eq!(asked[0].choice, "decimal");
    // Every value offered is one the choice takes, and the question shows the flag.
    let asked = questions("broken_thousands_or_decimal_comma.csv", "{}");
    assert_eq!(
        asked[0].candidates,
        [
            Candidate { reading: "150".to_owned(), value: "comma".to_owned() },
            Candidate { reading: "150000".to_owned(), value: "point".to_owned() }
        ]
    );
    assert!(questions("broken_unit_unknown.csv", "{}")[0].what.contains("`dBpT`"));
    let error = read_with("broken_megahertz_or_kilohertz.csv", "{}").unwrap_err().to_string();
    assert_eq!(
        error,
        "broken_megahertz_or_kilohertz.csv: more than one reading is possible\n  the unit of the frequencies is not written:\n    --frequency-unit kHz        30 kHz to 1 MHz\n    --frequency-unit MHz        30 MHz to 1 GHz"
    );
}

#[test]
fn every_broken_file_is_refused() {
    let mut count = 0;
    for entry in std::fs::read_dir(folder()).unwrap() {
        let name = entry.unwrap().file_name().into_string().unwrap();
        if name.starts_with("broken_") {
            assert!(read_with(&name, "{}").is_err(), "{name}");
            count += 1;
        }
    }
    assert!(count >= 20, "{count} broken files");
}

/// dBm + 90 + 10·log₁₀(R/Ω) = dBµV: 106.99 dB in 50 Ω, 108.75 dB in 75 Ω (P = V²/R).
#[test]
fn power_becomes_voltage_only_when_asked_and_with_its_impedance_said() {
    let file = "lowest_and_highest_hold.csv";
    assert_eq!(read_with(file, "{}").unwrap().trace.unit, Some(Unit::Dbm));
    for (choices, offset, said) in [
        (r#"{"convert_to":"dBuV"}"#, 106.9897, "50 Ω is assumed"),
        (r#"{"convert_to":"dBuV","impedance_ohm":75}"#, 108.7506, "in 75 Ω"),
    ] {
        let reading = read_with(file, choices).unwrap();
        assert_eq!(reading.trace.unit, Some(Unit::DbUv));
        assert!((reading.trace.columns[0].level_db[0] - (-60.0 + offset)).abs() < 1e-4);
        let lines = describe(&reading.understood).join("\n");
        assert!(lines.contains(said), "{lines}");
    }
    let mut trace = read_with(file, "{}").unwrap().trace;
    convert_unit(&mut trace, Unit::DbPw, 50.0).unwrap();
    assert!((trace.columns[0].level_db[0] - 30.0).abs() < 1e-12);
    assert!(convert_unit(&mut trace, Unit::DbUaPerM, 50.0).is_err());
}

#[test]
fn choices_and_what_was_understood_travel_as_json() {
    let choices: SweepChoices = serde_json::from_str(
        r#"{"delimiter":"semicolon","decimal":"comma","frequency_unit":"MHz","level_unit":"dBuV/m","level_columns":[2,"QP"],"detectors":{"2":"quasi_peak"},"encoding":"latin-1"}"#,
    )
    .unwrap();
    let back: SweepChoices = serde_json::from_str(&serde_json::to_string(&choices).unwrap()).unwrap();
    assert_eq!(choices, back);
    assert_eq!(serde_json::to_string(&SweepChoices::default()).unwrap(), "{}");
    assert!(serde_json::from_str::<SweepChoices>(r#"{"delimeter":"comma"}"#).is_err());
    let u = read_with("final_list_with_words.csv", "{}").unwrap().understood;
    assert_eq!(u.columns.iter().filter(|c| c.role == Role::Level).count(), 2);
    assert_eq!(serde_json::from_str::<formats::sweep::Understood>(&serde_json::to_string(&u).unwrap()).unwrap(), u);
}

/// Files that are not ours to ship, read where they lie.
mod shared {
    use super::*;

    fn data() -> Option<PathBuf> {
        let folder = std::env::var_os("HUSHFIELD_DATA").map(PathBuf::from);
        if folder.is_none() {
            println!("skipped: HUSHFIELD_DATA names no folder of recordings");
        }
        folder
    }

    fn strongest(reading: &SweepReading) -> (f64, f64) {
        let column = &reading.trace.columns[0].level_db;
        let (row, level) = column.iter().enumerate().max_by(|a, b| a.1.total_cmp(b.1)).unwrap();
        (reading.trace.frequency_hz[row], *level)
    }

    /// Strongest points and mean levels as published beside the recordings (worked out there with NumPy; the three sweeps
    /// below −117 dBm are the ones their authors say were taken with the amplifier off).
    #[test]
    fn analyser_exports_with_a_long_preamble() {
        let Some(data) = data() else { return };
        let folder = data.join("rf_spectra/bras_deau");
        let read = |name: &str| {
            let bytes = std::fs::read(folder.join(name)).unwrap();
            read_sweep(&bytes, name, &SweepChoices::default()).unwrap_or_else(|e| panic!("{e}"))
        };
        for (name, f_hz, level_dbm) in [
            ("MRT_20190412_1543H120.CSV", 92.2130e6, -59.36),
            ("MRT_20190416_1144H000.CSV", 18.3739e6, -52.45),
            ("MRT_20190405_1030H000_2.CSV", 327.4413e6, -87.17),
        ] {
            let reading = read(name);
            let (f, level) = strongest(&reading);
            assert!((f - f_hz).abs() < 60.0 && (level - level_dbm).abs() < 0.005, "{name}: {level} dBm at {f} Hz");
            let u = &reading.understood;
            assert_eq!((u.rows, u.count, reading.trace.impedance_ohm), (461, 461, Some(50.0)), "{name}");
            assert_eq!((reading.trace.unit, reading.trace.columns[0].detector), (Some(Unit::Dbm), PK), "{name}");
        }
        let wide = read("MRT_20190412_1543H120.CSV").understood;
        assert_eq!(wide.bandwidth_hz, Some(1e3));
        assert!(
            wide.warnings.iter().any(|w| w.contains("99.95 % of the band was never looked at")),
            "{:?}",
            wide.warnings
        );
        for (time, mean_dbm) in [
            ("0648", -94.09),
            ("0803", -95.58),
            ("0818", -118.78),
            ("0833", -118.84),
            ("0848", -95.65),
            ("1118", -95.91),
            ("1133", -118.88),
            ("1148", -95.12),
        ] {
            let reading = read(&format!("MRT_20190424_{time}H000_1.CSV"));
            let levels = &reading.trace.columns[0].level_db;
            let mean = levels.iter().sum::<f64>() / levels.len() as f64;
            assert!((mean - mean_dbm).abs() < 0.005, "{time}: {mean}");
        }
        // The bare two columns say no unit: refused, and the same levels once it is chosen.
        let bare = std::fs::read(folder.join("MRT_20190424_0818H000_1.TXT")).unwrap();
        assert!(matches!(read_sweep(&bare, "bare", &SweepChoices::default()), Err(SweepError::Ambiguous { .. })));
        let choices: SweepChoices = serde_json::from_str(r#"{"level_unit":"dBm"}"#).unwrap();
        let bare = read_sweep(&bare, "bare", &choices).unwrap();
        assert_eq!(bare.understood.frequency_unit, Some(formats::sweep::FrequencyUnit::Hz));
        let whole = read("MRT_20190424_0818H000_1.CSV");
        assert_eq!(bare.trace.columns[0].level_db, whole.trace.columns[0].level_db);
        // All the others are read too.
        let mut count = 0;
        for entry in std::fs::read_dir(&folder).unwrap() {
            let name = entry.unwrap().file_name().into_string().unwrap();
            if Path::new(&name).extension().is_some_and(|e| e == "CSV") {
                assert_eq!(read(&name).understood.rows, 461, "{name}");
                count += 1;
            }
        }
        assert!(count >= 29, "{count} files");
    }

    /// Files below a folder with one of these endings, in the order of their paths.
    fn files(folder: &Path, endings: &[&str]) -> Vec<PathBuf> {
        let mut found = Vec::new();
        for entry in std::fs::read_dir(folder).unwrap() {
            let path = entry.unwrap().path();
            if path.is_dir() {
                found.extend(files(&path, endings));
            } else if path.extension().is_some_and(|e| endings.iter().any(|x| e == *x)) {
                found.push(path);
            }
        }
        found.sort();
        found
    }

    /// Maxima of the two curves as published beside them.
    #[test]
    fn curves_in_watts() {
        let Some(data) = data() else { return };
        let curves = files(&data.join("rf_spectra"), &["isf"]);
        assert_eq!(curves.len(), 2);
        for (path, level_dbm) in curves.iter().zip([-29.21, -30.79]) {
            let bytes = std::fs::read(path).unwrap();
            let (f, level) = strongest(&read_sweep(&bytes, "curve", &SweepChoices::default()).unwrap());
            assert!((f - 96e6).abs() < 1.0 && (level - level_dbm).abs() < 0.005, "{}: {level} at {f}", path.display());
        }
    }

    /// Records over time, their statistics and curves of parts are no sweeps: none of them is taken for one.
    #[test]
    fn what_is_no_sweep_is_refused() {
        let Some(data) = data() else { return };
        let others = files(&data.join("scope_csv"), &["csv", "txt", "isf", "vcd"]);
        assert!(others.len() >= 20, "{} files", others.len());
        for path in others {
            let name = path.display().to_string();
            let reading = read_sweep(&std::fs::read(&path).unwrap(), &name, &SweepChoices::default());
            assert!(reading.is_err(), "{name}: {:?}", describe(&reading.unwrap().understood));
        }
    }
}

mod never_panics {
    use super::*;
    use proptest::prelude::*;

    fn any_choices() -> impl Strategy<Value = SweepChoices> {
        prop::sample::select(vec![
            "{}",
            r#"{"level_unit":"dBm","frequency_unit":"MHz"}"#,
            r#"{"level_unit":"V","frequency_unit":"Hz","decimal":"comma"}"#,
            r#"{"delimiter":"space","level_unit":"dBuV"}"#,
            r#"{"delimiter":"comma","decimal":"comma","table":1}"#,
            r#"{"encoding":"utf-16be","skip_lines":1}"#,
            r#"{"encoding":"latin-1","frequency_column":1,"level_columns":[2],"level_unit":"W","frequency_unit":"GHz","convert_to":"dBuV"}"#,
        ])
        .prop_map(|c| serde_json::from_str(c).unwrap())
    }

    proptest! {
        #![proptest_config(ProptestConfig::with_cases(400))]

        #[test]
        fn on_any_bytes(bytes in prop::collection::vec(any::<u8>(), 0..600), choices in any_choices()) {
            let _ = read_sweep(&bytes, "any", &choices);
        }

        /// Text made of what sweeps are made of comes much deeper than any bytes do.
        #[test]
        fn on_pieces_of_sweeps(
            pieces in prop::collection::vec(prop::sample::select(vec![
                ",", ";", "\t", " ", "\n", "\r\n", "\"", "1", "150", "1.5", "1,5", "-3", "1e9", "1e999", "NaN", "inf", "---", "µ", "\u{a0}",
                "Frequency", "MHz", "kHz", "(dBuV)", "dB", "QP", "Limit", "RBW", ":", "=", "#", "0", "000", "1.000", "Trace", "V", "2026-01-05,10:00:00",
                ":WFMPRE:BYT_NR 4;XUNIT \"Hz\";XINCR 1;YUNIT \"W\";:CURVE #14abcd", "Detector", "Unit", "\u{1a}", "[", "{", "−",
            ]), 0..120),
            choices in any_choices(),
        ) {
            let text = pieces.concat();
            if let Ok(reading) = read_sweep(text.as_bytes(), "pieces", &choices) {
                prop_assert!(reading.trace.frequency_hz.windows(2).all(|w| w[0] < w[1]));
                prop_assert!(reading.trace.frequency_hz.iter().all(|f| f.is_finite() && *f > 0.0));
                for column in &reading.trace.columns {
                    prop_assert_eq!(column.level_db.len(), reading.trace.frequency_hz.len());
                    prop_assert!(column.level_db.iter().all(|l| !l.is_infinite()));
                }
                let _ = describe(&reading.understood);
            }
        }

        /// A fixture with some bytes changed or cut off.
        #[test]
        fn on_damaged_files(which in 0usize..70, at in 0usize..2000, byte in any::<u8>(), cut in 0usize..3000) {
            let mut files: Vec<PathBuf> = std::fs::read_dir(folder()).unwrap().map(|e| e.unwrap().path()).collect();
            files.sort();
            let mut bytes = std::fs::read(&files[which % files.len()]).unwrap();
            if !bytes.is_empty() {
                let at = at % bytes.len();
                bytes[at] = byte;
                bytes.truncate(cut.max(1));
            }
            let _ = read_sweep(&bytes, "damaged", &SweepChoices::default());
        }
    }
}
