//! Evidence of a product that does not exist, for the tests and the specimen.
#![allow(clippy::assigning_clones, reason = "plain assignments read as the table they are")]
#![allow(dead_code, reason = "each user takes what it needs")]

use quantity::Unit;
use report::{
    ChainEvidence, ColumnEvidence, Decision, EquipmentEvidence, Evidence, Fact, FileEvidence, Finding, LimitEvidence,
    ProjectEvidence, RunEvidence, SampleEvidence, StateEvidence, SuspectEvidence, TraceEvidence, VerdictEvidence,
    Weight, WorstEvidence,
};
use standards::{Detector, Known};

/// A repeatable number in 0..1 from a counter.
fn noise(i: u64) -> f64 {
    let mut z = i.wrapping_mul(0x9e37_79b9_7f4a_7c15).wrapping_add(0x1234_5678_9abc_def1);
    z = (z ^ (z >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
    z = (z ^ (z >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
    (z ^ (z >> 31)) as f64 / u64::MAX as f64
}

/// Peak, quasi-peak and average of a 65 kHz comb over a floor, 150 kHz to 30 MHz, raised by `lift_db`.
fn comb(lift_db: f64) -> TraceEvidence {
    let frequency_hz: Vec<f64> = (0..6634).map(|i| 150e3 + 4.5e3 * f64::from(i)).collect();
    let (mut peak, mut quasi_peak, mut average) = (Vec::new(), Vec::new(), Vec::new());
    for (i, &f) in frequency_hz.iter().enumerate() {
        let floor = 17.0 - 5.0 * (f / 1e6).log10() + 5.0 * noise(i as u64);
        let n = (f / 65e3).round();
        let off = (f - n * 65e3) / 9e3;
        // A resonance of the filter near 3.2 MHz lifts the comb's slope.
        let slope = 62.0 - 26.0 * (f / 150e3).log10() + 24.0 * (-(f / 3.2e6).ln().powi(2) / 0.05).exp();
        let line = slope + lift_db + 3.0 * noise(n as u64) - 20.0 * off * off;
        let top = floor.max(line);
        peak.push(top + 4.0 + 1.5 * noise(7 * i as u64));
        quasi_peak.push(top + 0.3);
        average.push((floor - 6.0).max(line - 7.5));
    }
    let column = |detector, level_db| ColumnEvidence { detector: Some(detector), name: String::new(), level_db };
    TraceEvidence {
        frequency_hz,
        unit: Some(Unit::DbUv),
        columns: vec![
            column(Detector::Peak, peak),
            column(Detector::QuasiPeak, quasi_peak),
            column(Detector::CisprAverage, average),
        ],
        bandwidth_hz: Some(9e3),
    }
}

/// The class B mains limits as they are commonly known (CISPR 32, from memory).
fn limits() -> Vec<LimitEvidence> {
    let limit = |id: &str, detector: Detector, points: &[(f64, f64)]| LimitEvidence {
        id: id.to_owned(),
        title: format!("Class B, AC mains port, {}", detector.name()),
        standard: "CISPR 32:2015".to_owned(),
        table: "Table A.10".to_owned(),
        source: "commonly known figures".to_owned(),
        known: Known::Memory,
        detector,
        points: points.to_vec(),
        worst: None,
        conclusive: true,
        compared_with: None,
    };
    vec![
        limit(
            "cispr32-b-mains-qp",
            Detector::QuasiPeak,
            &[(150e3, 66.0), (500e3, 56.0), (5e6, 56.0), (5e6, 60.0), (30e6, 60.0)],
        ),
        limit(
            "cispr32-b-mains-av",
            Detector::CisprAverage,
            &[(150e3, 56.0), (500e3, 46.0), (5e6, 46.0), (5e6, 50.0), (30e6, 50.0)],
        ),
    ]
}

/// One suspect a line of the comb, from the levels themselves, worst first; the smallest margin of each limit is filled.
fn suspects(trace: &TraceEvidence, limits: &mut [LimitEvidence], most: usize) -> Vec<SuspectEvidence> {
    let mut found: Vec<SuspectEvidence> = Vec::new();
    for limit in limits {
        let table = limit.level_table().expect("the limit's points are a table");
        let Some(column) = trace.columns.iter().find(|c| c.detector == Some(limit.detector)) else { continue };
        let level = &column.level_db;
        for i in 1..level.len() - 1 {
            let f = trace.frequency_hz[i];
            let Some(limit_db) = table.at(f) else { continue };
            let margin_db = limit_db - level[i];
            if limit.worst.is_none_or(|w| margin_db < w.margin_db) {
                limit.worst = Some(WorstEvidence { frequency_hz: f, margin_db });
            }
            if level[i] > level[i - 1] && level[i] >= level[i + 1] && margin_db < 14.0 {
                found.push(SuspectEvidence {
                    frequency_hz: f,
                    level_db: level[i],
                    detector: Some(limit.detector),
                    limit_db,
                    limit_id: limit.id.clone(),
                    margin_db,
                    conclusive: true,
                    probability: Some(0.5 + 0.5 * (margin_db / 3.4).tanh()),
                    note: if f < 1.2e6 { format!("line {:.0} of 65 kHz", f / 65e3) } else { String::new() },
                });
            }
        }
    }
    found.sort_by(|a, b| a.margin_db.total_cmp(&b.margin_db));
    // One entry an emission: its worse detector.
    let mut lines: Vec<f64> = Vec::new();
    found.retain(|s| {
        let line = (s.frequency_hz / 65e3).round();
        let first = !lines.contains(&line);
        if first {
            lines.push(line);
        }
        first
    });
    found.truncate(most);
    found
}

fn run(id: &str, lift_db: f64, conductor: &str, state: &str, decision: Decision) -> RunEvidence {
    let trace = comb(lift_db);
    let mut limits = limits();
    let suspects = suspects(&trace, &mut limits, 16);
    let worst = &suspects[0];
    let sentence = match decision {
        Decision::Fail => format!(
            "Exceeds the average limit by {:.1} dB at {:.2} MHz; unlikely to pass at the laboratory.",
            -worst.margin_db,
            worst.frequency_hz / 1e6
        ),
        _ => format!(
            "Passes with {:.1} dB in hand at {:.2} MHz; 96 % likely to pass at the laboratory.",
            worst.margin_db,
            worst.frequency_hz / 1e6
        ),
    };
    let some = |t: &str| Some(t.to_owned());
    RunEvidence {
        id: id.to_owned(),
        title: format!("Conducted emission, {conductor}"),
        kind: "conducted emission".to_owned(),
        date: "2026-03-14 10:32".to_owned(),
        operator: "M. Alder".to_owned(),
        sample: "P2-03".to_owned(),
        state: state.to_owned(),
        mode: "pumping, 80 % speed".to_owned(),
        port: "AC mains".to_owned(),
        mains: true,
        conductor: conductor.to_owned(),
        set_up: "The product stood on a wooden table 0.8 m above the reference ground plane and 0.4 m from the vertical \
                 one. Its 1.5 m supply cord was laid in a bundle of 0.4 m, 0.8 m from the artificial network."
            .to_owned(),
        chain: vec![
            ChainEvidence {
                name: "Artificial network 1".to_owned(),
                kind: "50 Ω / 50 µH + 5 Ω".to_owned(),
                correction: "0.1 to 0.4 dB, 9 kHz to 30 MHz".to_owned(),
                calibrated: some("2025-06-02"),
                due: some("2027-06-02"),
                overdue: false,
                source: "calibration certificate".to_owned(),
            },
            ChainEvidence {
                name: "Pulse limiter".to_owned(),
                kind: "limiter with 10 dB".to_owned(),
                correction: "+10.1 dB, 9 kHz to 200 MHz".to_owned(),
                calibrated: some("2024-02-20"),
                due: some("2026-02-20"),
                overdue: true,
                source: "measured, two-port file".to_owned(),
            },
        ],
        equipment: vec![EquipmentEvidence {
            name: "Oscilloscope, 12 bit, 62.5 MS/s".to_owned(),
            serial: "0417-22".to_owned(),
            calibrated: some("2025-09-11"),
            due: some("2026-09-11"),
            overdue: false,
        }],
        files: vec![FileEvidence {
            name: format!("pump_{conductor}_80pc.npy"),
            blake3: "af1349b9f5f9a1a6a0404dea36dcc9499bcb25c9adc112b7cc9a93cae41f3262".to_owned(),
            bytes: 125_000_128,
            changed: false,
        }],
        receiver: vec![
            "Levels were computed from the record with the band B receiver of CISPR 16-1-1: 9 kHz at −6 dB, steps of 4.5 kHz, all detectors in one pass.".to_owned(),
            "The detectors started settled; the record holds 1.000 s.".to_owned(),
        ],
        trace,
        limits,
        suspects,
        verdict: Some(VerdictEvidence {
            decision,
            sentence,
            probability: Some(if decision == Decision::Fail { 0.02 } else { 0.96 }),
            uncertainty: vec![
                "The measurement uncertainty stays within the value that CISPR 16-4-2 allows for the mains port, 3.4 dB; by that standard's rule the readings themselves were compared with the limits, without an allowance.".to_owned(),
            ],
            expanded_uncertainty_db: Some(3.4),
        }),
        gaps: vec!["No level above 29.9985 MHz: the scan ends there.".to_owned()],
        lower_bounds: vec![],
        findings: vec![Finding {
            weight: Weight::Warning,
            text: "The pulse limiter was past its calibration date on the day of the run.".to_owned(),
        }],
    }
}

/// A failing run, and a passing one after a change.
pub(crate) fn evidence() -> Evidence {
    Evidence {
        project: ProjectEvidence {
            title: "Circulating pump, pre-compliance".to_owned(),
            maker: "Tarn & Weir Pumps".to_owned(),
            product: "Weir".to_owned(),
            model: "WP-40".to_owned(),
            description: "A circulating pump for heating water with a brushless motor behind a 65 kHz converter. The \
                          electronics sit in the motor's housing; a 3 m control cable leads to the boiler."
                .to_owned(),
            facts: vec![
                Fact { name: "supply".to_owned(), value: "230 V, 50 Hz, single phase, protective earth".to_owned() },
                Fact { name: "rated power".to_owned(), value: "42 W".to_owned() },
                Fact { name: "highest internal frequency".to_owned(), value: "48 MHz".to_owned() },
            ],
        },
        mains: Vec::new(),
        sections: Vec::new(),
        generated_at: "2026-03-16 08:05".to_owned(),
        tool_version: "0.1.0".to_owned(),
        data_version: "2026-03".to_owned(),
        samples: vec![SampleEvidence {
            id: "P2-03".to_owned(),
            serial: "WP40-000003".to_owned(),
            description: "second prototype, third unit".to_owned(),
        }],
        states: vec![
            StateEvidence { id: "A".to_owned(), description: "as built".to_owned(), date: "2026-03-10".to_owned() },
            StateEvidence {
                id: "B".to_owned(),
                description:
                    "common-mode choke of 2 × 10 mH in place of 2 × 3.3 mH; Y capacitors of 2.2 nF added behind it"
                        .to_owned(),
                date: "2026-03-14".to_owned(),
            },
        ],
        set_up:
            "All runs were made on the bench of the development room, with the reference ground plane 2 m × 2.5 m. \
                 Ambient was recorded with the product switched off and lies more than 20 dB below the limits."
                .to_owned(),
        cautions: vec!["The pump's housing reaches 70 °C after ten minutes at full speed.".to_owned()],
        runs: vec![run("1", 1.5, "L1", "A", Decision::Fail), run("2", -11.0, "L1", "B", Decision::Pass)],
        findings: vec![Finding {
            weight: Weight::Warning,
            text: "Run 1 and run 2 were made with a pulse limiter that was past its calibration date (2026-02-20)."
                .to_owned(),
        }],
        not_measured: vec![
            "The neutral conductor was not measured in state B.".to_owned(),
            "Radiated emission, harmonic currents and flicker were not measured.".to_owned(),
        ],
    }
}

/// The awkward case: 80 suspects with long names, many options missing, text that no font has.
pub(crate) fn awkward() -> Evidence {
    let mut evidence = evidence();
    evidence.project.product =
        "Combined heat recovery, circulation and water treatment appliance with remote supervision".to_owned();
    evidence.project.model = "CHRC-WT/2-40-230V-50HZ-INTERNATIONAL".to_owned();
    evidence.project.description =
        "Name in another script: 水泵. #strong[not bold] $x^2$ \u{1} <&> \"quoted\"".to_owned();
    evidence.states.clear();
    evidence.samples.clear();
    evidence.set_up.clear();
    evidence.not_measured.clear();
    evidence.runs.truncate(1);
    let run = &mut evidence.runs[0];
    run.trace = comb(9.0);
    run.suspects = suspects(&run.trace, &mut run.limits, 80);
    for (i, s) in run.suspects.iter_mut().enumerate() {
        s.conclusive = i % 7 != 3;
        s.probability = None;
        s.note = if i % 3 == 0 {
            format!(
                "harmonic {} of the auxiliary converter of the supervision unit (board_revision_C_second_source)",
                i + 2
            )
        } else {
            String::new()
        };
    }
    run.verdict = None;
    run.equipment[0].name = "A_receiver_with_a_name_that_nobody_thought_would_ever_be_printed_in_a_column".to_owned();
    run.equipment[0].calibrated = None;
    run.equipment[0].due = None;
    run.files[0].name =
        "2026-03-14T10_32_00_recording_of_the_second_prototype_third_unit_pumping_80_percent.npy".to_owned();
    run.files[0].changed = true;
    run.chain[0].calibrated = None;
    run.chain[1].source.clear();
    run.set_up.clear();
    run.operator.clear();
    run.limits[0].title = "</svg><script>alert(1)</script> & more".to_owned();
    run.trace.columns[0].name = "</svg><script>alert(1)</script> 水".to_owned();
    run.lower_bounds = vec!["Quasi-peak levels are lower bounds: the record holds 0.2 s.".to_owned()];
    evidence
}
