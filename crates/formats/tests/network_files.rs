//! Touchstone files: the specification's own examples and a general radio-frequency library's test files (licence beside
//! them), and that library's reading of the same files where a Python is at hand.

use std::path::{Path, PathBuf};
use std::process::Command;

use formats::touchstone::{
    Network, Parameter, impedance_from_reflection, insertion_loss_db, open_touchstone, read_touchstone,
    series_impedance_from_transmission,
};
use num_complex::Complex64;
use proptest::prelude::*;

fn folder() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/networks")
}

fn open(name: &str) -> Network {
    open_touchstone(&folder().join(name)).unwrap_or_else(|e| panic!("{e}"))
}

fn near(a: Complex64, b: Complex64) -> bool {
    (a - b).norm() < 1e-9 * (1.0 + b.norm())
}

fn polar(magnitude: f64, degrees: f64) -> Complex64 {
    Complex64::from_polar(magnitude, degrees.to_radians())
}

/// Examples of the Touchstone specification, version 2.0.
#[test]
fn the_specifications_own_examples() {
    let n = open("ex_8.s1p");
    assert_eq!((n.ports, n.frequency_hz[0], n.parameter), (1, 2e6, Parameter::S));
    assert!(near(n.matrix[0][0], polar(0.894, -12.136)));
    // Version 1 writes Z divided by the reference of 75 Ω; version 2 in ohms.
    let n = open("ex_9.s1p");
    assert_eq!((n.parameter, n.frequency_hz.len()), (Parameter::Z, 5));
    assert!(near(n.impedance_ohm().unwrap()[0], polar(0.99 * 75.0, -4.0)));
    let n = open("ex_2.ts");
    assert!(near(n.impedance_ohm().unwrap()[4], polar(15.0, 50.0)));
    let n = open("ex_11.s2p");
    assert_eq!((n.parameter, n.frequency_hz[0]), (Parameter::H, 2e3));
    assert!(near(n.entry(2, 1).unwrap()[0], polar(3.57, 157.0)));
    let n = open("ex_3.ts");
    assert!(near(n.entry(2, 1).unwrap()[1], Complex64::new(221.0, 0.0)));
    assert!(near(n.entry(1, 2).unwrap()[0], Complex64::new(112.0, 0.0)));
    let n = open("ex_4.ts");
    assert_eq!(n.reference_ohm.iter().map(|z| z.re).collect::<Vec<_>>(), [50.0, 75.0, 0.01, 0.01]);
    assert!(near(n.entry(3, 2).unwrap()[0], Complex64::new(32.0, 0.0)));
    let n = open("ex_5.ts");
    assert_eq!((n.ports, n.frequency_hz.clone()), (4, vec![5e9, 6e9]));
    assert!(near(n.entry(1, 4).unwrap()[1], polar(0.53, -79.34)));
    let n = open("ex_13.s2p");
    assert!(near(n.entry(2, 1).unwrap()[2], Complex64::new(-0.0134, 0.0379)));
}

#[test]
fn odd_but_readable_files() {
    // Blanks before `#`, hertz in capitals, decibels and angle.
    let n = open("leading_blank_option_line.s2p");
    assert_eq!(n.frequency_hz, [1e3]);
    assert!((n.loss_db(1, 2).unwrap()[0] - 0.0003).abs() < 1e-9);
    let n = open("double_option_line.s2p");
    assert_eq!(n.reference_ohm, vec![Complex64::new(10.0, 10.0); 2]);
    assert!(n.notes.iter().any(|s| s.contains("second option line")));
    let n = open("simple_touchstone.s2p");
    assert_eq!(n.reference_ohm[0], Complex64::new(50.0, 50.0));
    assert!(n.notes.iter().any(|s| s.contains("comments name port impedances")), "{:?}", n.notes);
    for name in ["test_encoding_ISO-8859-1.s2p", "test_encoding_UTF-8-SIG.s2p"] {
        assert!(near(open(name).entry(2, 1).unwrap()[0], Complex64::new(-1.0, 1.0)), "{name}");
    }
    let four = open("four_port_db_75_ohm.s4p");
    assert_eq!((four.ports, four.frequency_hz.len(), four.reference_ohm[3].re), (4, 25, 75.0));
    assert!((four.loss_db(2, 1).unwrap()[0] - 52.52684).abs() < 1e-9);
    for name in ["ex_1.ts", "comments.s3p"] {
        let said = open_touchstone(&folder().join(name)).unwrap_err().to_string();
        assert!(said.contains("no values") && said.contains("line"), "{said}");
    }
}

#[test]
fn version_2_triangles_noise_and_counts() {
    let text = "[Version] 2.0\n# MHz S RI R 50\n[Number of Ports] 3\n[Number of Frequencies] 1\n[Matrix Format] Lower\n\
        [Network Data]\n1 11 0\n21 0 22 0\n31 0 32 0 33 0\n[End]\nanything";
    let n = read_touchstone(text, "x.ts").unwrap();
    assert_eq!(n.entry(1, 3).unwrap(), n.entry(3, 1).unwrap());
    assert_eq!(n.entry(2, 3).unwrap()[0].re, 32.0);
    let upper = text
        .replace("Lower", "Upper")
        .replace("1 11 0\n21 0 22 0\n31 0 32 0 33 0", "1 11 0 12 0 13 0\n22 0 23 0\n33 0");
    assert_eq!(read_touchstone(&upper, "x.ts").unwrap().entry(3, 2).unwrap()[0].re, 23.0);
    let order = "[Version] 2.0\n# Hz S RI\n[Number of Ports] 2\n[Two-Port Data Order] 12_21\n[Network Data]\n1 11 0 12 0 21 0 22 0\n\
        [Noise Data]\n1 2 3 4 5\n[End]";
    let n = read_touchstone(order, "x.ts").unwrap();
    assert_eq!(n.entry(2, 1).unwrap()[0].re, 21.0);
    assert!(n.notes.iter().any(|s| s.contains("1 line(s) of noise data")));
    // Version 1: noise after the two-port's data, its frequencies starting anew.
    let n = read_touchstone("# GHz S MA R 50\n2 .95 -26 3.57 157 .04 76 .66 -14\n22 .6 -144 1.3 40 .14 40 .56 -85\n4 .7 .64 69 .38\n18 2.7 .46 -33 .4\n", "a.s2p").unwrap();
    assert_eq!(n.frequency_hz, [2e9, 22e9]);
    assert!(n.notes.iter().any(|s| s.contains("2 line(s) of noise data")));
}

#[test]
fn faults_name_file_and_line() {
    for (text, name, wanted) in [
        ("# Hz S RI R 50\n5 1 0 1 0 1 0 1\n6 1 0 1 0 1 0 1 0\n", "a.s2p", "a.s2p, line 2: 8 numbers; expected 9"),
        ("# Hz S RI R 50\n1 0 0\n2 0 x\n", "a.s1p", "line 3: `x`"),
        ("# Hz S RI R\n1 0 0\n", "a.s1p", "line 1: R with nothing"),
        ("# Hz S QQ\n", "a.s1p", "line 1: `QQ` in the option line"),
        ("# Hz S RI\n1 0 0\n", "a.txt", "the number of ports is not said"),
        ("# Hz H RI\n1 0 0\n", "a.s1p", "hybrid parameters of 1"),
        ("[Version] 3.0\n", "a.ts", "line 1: version `3.0`"),
        ("[Version 2.0\n", "a.ts", "line 1: a keyword without `]`"),
        (
            "[Version] 2.0\n# Hz S RI\n[Number of Ports] 1\n[Number of Frequencies] 3\n[Network Data]\n1 0 0\n",
            "a.ts",
            "1 frequencies; expected 3",
        ),
        (
            "[Version] 2.0\n# Hz S RI\n[Number of Ports] 2\n[Reference] 50\n[Network Data]\n1 0 0 0 0 0 0 0 0\n",
            "a.ts",
            "[Reference]",
        ),
        ("", "a.s1p", "no values"),
    ] {
        let said = read_touchstone(text, name).unwrap_err().to_string();
        assert!(said.contains(wanted) && said.contains("expected"), "{said}");
    }
    let n = open("ntwk1.s2p");
    assert!(n.loss_db(3, 1).unwrap_err().to_string().contains("no parameter from port 1 to port 3"));
    assert!(open("ex_9.s1p").loss_db(1, 1).unwrap_err().to_string().contains("holds Z parameters"));
    let hot = read_touchstone("# Hz S RI\n1 1.2 0\n", "a.s1p").unwrap();
    assert!(hot.notes[0].contains("gives out more than it takes in"), "{:?}", hot.notes);
}

/// Textbook relations (for example Pozar, Microwave Engineering, table 4.2): a matched 6.02 dB attenuator halves the
/// voltage; a short reflects −1; 100 Ω in series between two 50 Ω ports passes S₂₁ = 2·50/(2·50 + 100) = ½.
#[test]
fn decibels_and_impedances() {
    assert!((insertion_loss_db(Complex64::new(0.5, 0.0)) - 6.020599913).abs() < 1e-9);
    let z0 = Complex64::new(50.0, 0.0);
    assert!(impedance_from_reflection(Complex64::new(-1.0, 0.0), z0).norm() < 1e-12);
    assert!(near(impedance_from_reflection(Complex64::new(1.0 / 3.0, 0.0), z0), Complex64::new(100.0, 0.0)));
    assert!(near(series_impedance_from_transmission(Complex64::new(0.5, 0.0), 50.0), Complex64::new(100.0, 0.0)));
    let n = open("ntwk1.s2p");
    let table = n.loss_table(2, 1).unwrap();
    assert!((table.at(1e9).unwrap() + 20.0 * 0.926746562f64.hypot(0.170089428).log10()).abs() < 1e-9);
    assert_eq!(table.at(0.9e9), None);
}

/// A Python with the general radio-frequency library, or nothing where none is at hand (an error in continuous
/// integration, where it must be).
fn python() -> Option<String> {
    let found = std::env::var("HUSHFIELD_PYTHON")
        .ok()
        .filter(|p| Command::new(p).args(["-c", "import skrf"]).output().is_ok_and(|o| o.status.success()));
    if found.is_none() {
        println!("skipped: HUSHFIELD_PYTHON names no Python with scikit-rf");
        assert!(std::env::var_os("CI").is_none(), "HUSHFIELD_PYTHON must name a Python with scikit-rf here");
    }
    found
}

const READ: &str = "
import sys, warnings
warnings.simplefilter('ignore')
from skrf.io.touchstone import Touchstone
import numpy as np
for name in sys.argv[1:]:
    t = Touchstone(name)
    f, s = t.get_sparameter_arrays()
    # As the format says it; the library can also read impedances from comments, which no specification knows.
    z0 = np.atleast_1d(t.resistance)
    n = s.shape[1]
    z0 = np.broadcast_to(z0, (n,))
    print('file', n, len(f), *[v for z in z0 for v in (complex(z).real, complex(z).imag)])
    for k in range(len(f)):
        print(repr(float(f[k])), *[repr(float(v)) for z in s[k].ravel() for v in (z.real, z.imag)])
";

#[test]
fn the_same_numbers_as_a_general_library() {
    let Some(python) = python() else { return };
    let names = [
        "ntwk1.s2p",
        "tee.s3p",
        "ring_slot_measured.s1p",
        "four_port_db_75_ohm.s4p",
        "ex_3.ts",
        "ex_4.ts",
        "ex_5.ts",
        "ex_8.s1p",
        "ex_13.s2p",
        "leading_blank_option_line.s2p",
        "double_option_line.s2p",
        "simple_touchstone.s2p",
        "test_encoding_UTF-8-SIG.s2p",
        "test_encoding_ISO-8859-1.s2p",
    ];
    let mut paths: Vec<PathBuf> = names.iter().map(|n| folder().join(n)).collect();
    // Further files, which may not be copied here, where a folder with them is at hand.
    if let Some(data) = std::env::var_os("HUSHFIELD_DATA") {
        for kind in std::fs::read_dir(Path::new(&data).join("touchstone")).into_iter().flatten().flatten() {
            // The general library's own files are among the fixtures already.
            if kind.file_name().to_string_lossy().starts_with("scikit") {
                continue;
            }
            for entry in std::fs::read_dir(kind.path()).into_iter().flatten().flatten() {
                // The one with a missing number must be refused, and the general library does not.
                if entry.file_name() == "broken_pair.s2p" {
                    let said = open_touchstone(&entry.path()).unwrap_err().to_string();
                    assert!(said.contains("line 7: 8 numbers; expected 9"), "{said}");
                } else if entry.file_name() != "scikit_unordered.s2p" {
                    paths.push(entry.path());
                }
            }
        }
    }
    let output = Command::new(python).arg("-c").arg(READ).args(&paths).output().unwrap();
    assert!(output.status.success(), "{}", String::from_utf8_lossy(&output.stderr));
    let text = String::from_utf8(output.stdout).unwrap();
    let mut lines = text.lines();
    let mut compared = 0;
    for path in &paths {
        let ours = open_touchstone(path).unwrap_or_else(|e| panic!("{e}"));
        let head: Vec<&str> = lines.next().unwrap().split(' ').collect();
        assert_eq!(
            (head[1].parse(), head[2].parse()),
            (Ok(ours.ports), Ok(ours.frequency_hz.len())),
            "{}",
            path.display()
        );
        for (z, theirs) in ours.reference_ohm.iter().zip(head[3..].chunks(2)) {
            let theirs = Complex64::new(theirs[0].parse().unwrap(), theirs[1].parse().unwrap());
            assert!(near(*z, theirs), "{}: reference {z} and {theirs}", path.display());
        }
        for (f, m) in ours.frequency_hz.iter().zip(&ours.matrix) {
            let v: Vec<f64> = lines.next().unwrap().split(' ').map(|w| w.parse().unwrap()).collect();
            assert!((v[0] / f - 1.0).abs() < 1e-12, "{}", path.display());
            for (s, theirs) in m.iter().zip(v[1..].chunks(2)) {
                assert!(near(*s, Complex64::new(theirs[0], theirs[1])), "{} at {f} Hz", path.display());
                compared += 1;
            }
        }
    }
    println!("{compared} parameters of {} files agree to 1e-9", paths.len());
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(500))]
    #[test]
    fn arbitrary_texts_never_panic(text in "[-0-9.eE+ \n#!\\[\\]SsYZHGMADBRIi()j]{0,200}", ports in 0..4usize) {
        let name = ["a.s1p", "a.s2p", "a.s3p", "a.ts"][ports];
        let _ = read_touchstone(&text, name);
        let _ = read_touchstone(&format!("# Hz S RI R 50\n{text}"), name);
        let _ = read_touchstone(&format!("[Version] 2.0\n# Hz Z RI\n[Number of Ports] 2\n[Reference]\n{text}"), name);
    }
}
