//! The receiver against the exact model in `exact_receiver.py`, run here and now (numpy and scipy are needed: the
//! interpreter is named by `HUSHFIELD_PYTHON`).

mod common;

use std::io::Write;
use std::process::Command;

use common::{Samples, make, measure};
use receiver::{Settings, Start};
use serde_json::json;
use standards::{Band, Detector};

#[test]
fn a_record_reads_as_in_the_exact_model() {
    let Some(python) = std::env::var_os("HUSHFIELD_PYTHON") else {
        assert!(std::env::var_os("CI").is_none(), "HUSHFIELD_PYTHON must name an interpreter with numpy and scipy");
        println!("skipped: HUSHFIELD_PYTHON is not set");
        return;
    };
    let rate = 1e6;
    let x = make(&json!({"rate_hz": rate, "seconds": 0.12, "parts": [
        {"kind": "sine", "f_hz": 201e3, "level_dbuv": 66.0},
        {"kind": "am", "f_hz": 260e3, "level_dbuv": 60.0, "depth": 0.7, "mod_hz": 900.0},
        {"kind": "pulses", "area_vs": 4e-8, "rate_hz": 60.0, "first_s": 0.004},
        {"kind": "noise", "density_dbuv_per_rthz": 0.0, "seed": 21}]}));
    let path = std::env::temp_dir().join(format!("exact-model-{}.npy", std::process::id()));
    let mut head = format!("{{'descr': '<f4', 'fortran_order': False, 'shape': ({},), }}", x.len());
    while (head.len() + 11) % 64 != 0 {
        head.push(' ');
    }
    head.push('\n');
    let mut bytes = b"\x93NUMPY\x01\x00".to_vec();
    bytes.extend((head.len() as u16).to_le_bytes());
    bytes.extend(head.as_bytes());
    bytes.extend(x.iter().flat_map(|x| x.to_le_bytes()));
    std::fs::File::create(&path).unwrap().write_all(&bytes).unwrap();
    for (start, word) in [(Start::Rest, "rest"), (Start::Settled, "settled")] {
        let mut s = Settings::new(Band::B, rate);
        (s.from_hz, s.to_hz, s.step_hz, s.start) = (Some(150e3), Some(300e3), Some(4500.0), Some(start));
        let levels = measure(Samples::F32(x.clone()), &s).unwrap();
        let rows = [0, 11, 12, 24, 30];
        let output = Command::new(&python)
            .arg("-B")
            .arg(concat!(env!("CARGO_MANIFEST_DIR"), "/tests/exact_receiver.py"))
            .arg(&path)
            .args(["--band", "B", "--rate", "1e6", "--start", word])
            .args(rows.map(|k| levels.frequency_hz[k].to_string()))
            .output()
            .unwrap();
        assert!(output.status.success(), "{}", String::from_utf8_lossy(&output.stderr));
        let text = String::from_utf8(output.stdout).unwrap();
        let lines: Vec<&str> = text.lines().skip(1).collect();
        assert_eq!(lines.len(), rows.len());
        for (k, line) in rows.into_iter().zip(lines) {
            let fields: Vec<f64> = line.split(',').map(|f| f.parse().unwrap()).collect();
            for (d, want) in Detector::ALL.into_iter().zip(&fields[1..]) {
                let got = levels.reading(d).unwrap().level_dbuv[k];
                assert!((got - want).abs() < 0.05, "{start:?} {} Hz {d}: {got:.4}, exact {want:.4}", fields[0]);
            }
        }
    }
    std::fs::remove_file(&path).unwrap();
}
