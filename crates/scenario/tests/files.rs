//! The files of the demonstration, read by the rooms that read a user's files.

use std::fs;

use scenario::{chain, story};

/// The chains, read from a folder as a user's would be, correct by the very decibels the synthesis took away: the
/// level at the port comes out again. Tolerance: the Touchstone file's points are joined by straight lines.
#[test]
fn chains_undo_what_the_synthesis_did() {
    let folder = tempfile::tempdir().unwrap();
    let story = story();
    for (name, text) in &story.chains {
        fs::write(folder.path().join(name), text).unwrap();
    }
    let mains = formats::chain_file::read_chain(&folder.path().join(story.captures[0].chain)).unwrap();
    for line in scenario::truth(story.captures[0].kind).lines {
        let got = mains.correction_at(line.frequency_hz).expect("inside the chain");
        assert!((got - (line.port_dbuv - line.receiver_dbuv)).abs() < 1e-3, "{line:?}: {got}");
    }
    let field = formats::chain_file::read_chain(&folder.path().join(story.sweeps[0].chain)).unwrap();
    assert_eq!((field.unit_in(), field.unit_out()), (Some(quantity::Unit::DbUv), Some(quantity::Unit::DbUvPerM)));
    for f in [30e6, 77e6, 144e6, 230e6, 999e6, 1e9] {
        let got = field.correction_at(f).expect("inside the chain");
        assert!((got - chain::field_correction_db(f)).abs() < 1e-9, "{f} Hz: {got}");
    }
}

/// `product.toml` is understood completely: no error, no unknown field, and the ports, clocks and converters that the
/// search for causes needs.
#[test]
fn the_product_file_is_understood() {
    let reading = project::Product::read(story().product_toml, "product.toml").unwrap();
    assert!(reading.warnings.is_empty(), "{:?}", reading.warnings);
    let product = reading.product;
    assert_eq!(product.ports.iter().filter(|p| p.kind == standards::Port::AcMains).count(), 1);
    assert_eq!(product.converters.len(), 1);
    // The converter runs within 1 % of what the maker wrote.
    let truth = scenario::truth(story().captures[0].kind);
    let third = truth.excesses[0].frequency_hz;
    assert!((third / 3.0 / product.converters[0].frequency_hz - 1.0).abs() < 0.01);
    assert!(product.clocks.iter().any(|c| c.frequency_hz * 3.0 == truth.marginal[0].frequency_hz));
    let samples: Vec<&str> = product.samples.iter().map(|s| s.id.as_str()).collect();
    let story = story();
    assert!(story.samples.iter().all(|s| samples.contains(&s.id)));
    assert!(story.captures.iter().all(|c| product.modes.iter().any(|m| m == c.mode)));
    assert!(story.sweeps.iter().all(|c| product.modes.iter().any(|m| m == c.mode)));
}

/// Nothing refers to what is not there, and dates run forward.
#[test]
fn the_story_hangs_together() {
    let story = story();
    let used: Vec<_> = story
        .captures
        .iter()
        .map(|c| (c.state, c.sample, c.chain, c.equipment, c.performed))
        .chain(story.sweeps.iter().map(|s| (s.state, s.sample, s.chain, s.equipment, s.performed)))
        .collect();
    for (state, sample, chain, equipment, performed) in used {
        let state = story.states.iter().find(|s| s.id == state).unwrap();
        assert!(state.sample == sample && state.date < performed, "a state is made before it is measured");
        assert!(story.chains.iter().any(|(name, _)| *name == chain));
        for id in equipment {
            let e = story.equipment.iter().find(|e| e.id == *id).unwrap();
            assert!(e.calibrated < performed && e.calibrated < e.due, "{id}");
            // One instrument is past its date, as the story says; the program has to notice.
            assert_eq!(e.due < performed, *id == "analyser", "{id}");
        }
    }
    for capture in &story.captures {
        assert!(capture.frames() * 2 <= 40_000_000, "the demonstration's files stay modest");
    }
}

/// The sweep is understood without help: frequency in MHz, one column of peak levels in dBµV, one frequency twice.
#[test]
fn the_sweep_is_understood() {
    let sweep = &story().sweeps[0];
    let reading =
        formats::sweep::read_sweep(sweep.text.as_bytes(), sweep.file_name, &formats::sweep::SweepChoices::default())
            .unwrap();
    assert_eq!(reading.trace.unit, Some(quantity::Unit::DbUv));
    assert_eq!(reading.trace.columns.len(), 1);
    assert_eq!(reading.trace.columns[0].detector, Some(standards::Detector::Peak));
    let frequency_hz = &reading.trace.frequency_hz;
    assert!((frequency_hz[0] - 30e6).abs() < 1.0 && (frequency_hz.last().unwrap() - 1e9).abs() < 1.0);
    assert!(frequency_hz.windows(2).all(|w| w[0] < w[1]));
}
