//! Whole conversations with the simulated instruments, over both transports, well and ill.

use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};
use std::time::{Duration, Instant};

use instrument::simulate::{Fault, FaultPlan, Simulated, SimulatedKind, SimulatedSettings};
use instrument::{
    Address, Description, Direction, InstrumentError, Limits, MaxHold, Session, SweepTaken, TEMPLATE_ANALYSER,
    TEMPLATE_SCOPE, identify, prepare, read_description, sweeps, waveform,
};

const TRANSPORTS: [&str; 2] = ["tcp", "hislip"];

fn analyser(settings: SimulatedSettings) -> Simulated {
    Simulated::start(settings, 0, None).unwrap()
}

fn at(transport: &str, s: &Simulated) -> Address {
    format!("{transport}://{}", s.address()).parse().unwrap()
}

/// The template with waits short enough for a test.
fn quick(template: &str) -> Description {
    let mut d = read_description(template, "template").unwrap();
    d.limits = Limits {
        connect_timeout_s: 2.0,
        timeout_s: 2.0,
        sweep_timeout_s: 0.6,
        read_timeout_s: 0.6,
        most_answer_bytes: 1 << 20,
    };
    d
}

fn session(transport: &str, s: &Simulated, d: &Description) -> Session {
    Session::connect(at(transport, s), d.limits.clone(), Arc::default()).unwrap()
}

fn take(session: &mut Session, d: &Description, count: usize) -> (Vec<SweepTaken>, Option<InstrumentError>) {
    let prepared = prepare(session, d).unwrap();
    let mut kept = Vec::new();
    let end = sweeps(session, d, &prepared, count, &mut |k, taken: &SweepTaken| {
        kept.push(taken.clone());
        assert_eq!(kept.len(), k);
        Ok::<(), InstrumentError>(())
    })
    .unwrap();
    assert_eq!(end.kept, kept.len());
    (kept, end.aborted)
}

#[test]
fn sweeps_over_both_transports_in_every_format_are_the_same() {
    let mut all: Vec<Vec<f64>> = Vec::new();
    for transport in TRANSPORTS {
        for (form, format, order, byte_order, scale, within_db) in [
            ("REAL,32", "real32", "NORM", "big", 1.0, 1e-5),
            ("REAL,64", "real64", "SWAP", "little", 1.0, 1e-12),
            ("ASC", "ascii", "NORM", "big", 1.0, 1e-4),
            ("INT,16", "int16", "NORM", "big", 0.01, 0.0051),
            ("INT,32", "int32", "SWAP", "little", 0.001, 0.00051),
        ] {
            let text = TEMPLATE_ANALYSER
                .replace("FORM REAL,32", &format!("FORM {form}"))
                .replace("FORM:BORD NORM", &format!("FORM:BORD {order}"))
                .replace("\"real32\"", &format!("\"{format}\""))
                .replace("byte_order = \"big\"", &format!("byte_order = \"{byte_order}\""))
                .replace("# scale = 1.0", &format!("scale = {scale}"));
            let s = analyser(SimulatedSettings::new(SimulatedKind::Analyser));
            let d = quick(&text);
            let (kept, aborted) = take(&mut session(transport, &s, &d), &d, 1);
            assert!(aborted.is_none(), "{transport} {format}: {}", aborted.unwrap());
            let trace = &kept[0].trace;
            trace.validate().unwrap();
            assert_eq!((trace.frequency_hz.len(), trace.range_hz()), (1001, Some((150e3, 30e6))));
            assert_eq!(trace.bandwidth_hz, Some(9e3));
            assert_eq!(kept[0].overloaded, Some(false));
            let levels = &trace.columns[0].level_db;
            // The seed is the same, so that every format tells the same sweep, to its own resolution and that of the first.
            let exact = all.first().unwrap_or(levels);
            let worst = exact.iter().zip(levels).map(|(a, b)| (a - b).abs()).fold(0.0, f64::max);
            assert!(worst <= within_db + 1e-5, "{transport} {format}: {worst}");
            all.push(levels.clone());
        }
    }
    assert_eq!(all.len(), 10);
}

#[test]
fn a_block_of_indefinite_length_ends_where_the_message_or_the_count_says() {
    let s = analyser(SimulatedSettings::new(SimulatedKind::Analyser));
    let counted = quick(&TEMPLATE_ANALYSER.replace("\"*RST\",", "\"*RST\", \"FORM:BLOC INDEF\","));
    let mut open = counted.clone();
    open.trace.as_mut().unwrap().axis.points = None;
    for (transport, d, comes) in
        [("tcp", &counted, true), ("hislip", &counted, true), ("hislip", &open, true), ("tcp", &open, false)]
    {
        let (kept, aborted) = take(&mut session(transport, &s, d), d, 2);
        if comes {
            assert!(aborted.is_none(), "{transport}: {aborted:?}");
            assert_eq!(kept.iter().map(|k| k.trace.frequency_hz.len()).collect::<Vec<_>>(), [1001, 1001]);
        } else {
            let e = aborted.unwrap().to_string();
            assert!(kept.is_empty() && e.contains("#0") && e.contains("points"), "{e}");
        }
    }
}

#[test]
fn the_common_commands_and_the_error_queue() {
    for transport in TRANSPORTS {
        let s = analyser(SimulatedSettings::new(SimulatedKind::Analyser));
        let d = quick(TEMPLATE_ANALYSER);
        let mut session = session(transport, &s, &d);
        assert!(identify(&mut session, &d).unwrap().fits);
        session.reset().unwrap();
        session.clear_status().unwrap();
        assert_eq!(session.event_status().unwrap(), 0);
        session.tell("NONS:ENSE 1").unwrap();
        let errors = session.errors().unwrap();
        assert_eq!((errors.len(), errors[0].code), (1, -113));
        // Bit 5 of the event register is the command error (IEEE 488.2-1992, 11.5.1, from memory).
        assert_eq!(session.event_status().unwrap(), 32);
        assert_eq!(session.event_status().unwrap(), 0);
        session.no_errors("nothing").unwrap();
        assert_eq!(session.device_clear().unwrap(), transport == "hislip");
        assert_eq!(session.ask_integer("*OPC?").unwrap(), 1);
        let entries: Vec<_> = session.transcript().entries().cloned().collect();
        assert!(entries.iter().any(|e| e.direction == Direction::Sent && e.text == "NONS:ENSE 1"));
        assert!(entries.iter().any(|e| e.direction == Direction::Received && e.text.starts_with("-113")));
        assert!(entries.windows(2).all(|w| w[0].at_s <= w[1].at_s));
    }
}

#[test]
fn another_instrument_and_a_wrong_set_up_are_refused() {
    let s = analyser(SimulatedSettings::new(SimulatedKind::Scope));
    let d = quick(TEMPLATE_ANALYSER);
    let e = prepare(&mut session("tcp", &s, &d), &d).unwrap_err().to_string();
    assert!(e.contains("Simulated oscilloscope") && e.contains("Simulated analyser"), "{e}");
    let s = analyser(SimulatedSettings::new(SimulatedKind::Analyser));
    let d = quick(&TEMPLATE_ANALYSER.replace("\"BAND 9E3\"", "\"BANDW 9E3\""));
    let e = prepare(&mut session("tcp", &s, &d), &d).unwrap_err().to_string();
    assert!(e.contains("-113") && e.contains("set_up"), "{e}");
}

#[test]
fn every_fault_is_told_in_bounded_time_and_nothing_half_is_kept() {
    for transport in TRANSPORTS {
        for fault in Fault::ALL {
            let mut settings = SimulatedSettings::new(SimulatedKind::Analyser);
            settings.fault = Some(FaultPlan { fault, after: 1, times: 1 });
            let s = analyser(settings);
            let d = quick(TEMPLATE_ANALYSER);
            let mut session = session(transport, &s, &d);
            let began = Instant::now();
            let (kept, aborted) = take(&mut session, &d, 3);
            let name = format!("{transport}, {}", fault.name());
            println!("{name}: told after {:.1} s", began.elapsed().as_secs_f64());
            assert_eq!(kept.len(), 1, "{name}");
            assert_eq!(kept[0].trace.frequency_hz.len(), 1001);
            let e = aborted.unwrap();
            let words = e.to_string();
            match fault {
                Fault::Slow | Fault::Truncate => {
                    assert!(matches!(e, InstrumentError::Timeout { .. }), "{name}: {words}");
                    assert!(words.contains("TRAC? TRACE1") && words.contains("0.6 s"), "{name}: {words}");
                }
                Fault::Busy => {
                    assert!(matches!(e, InstrumentError::Timeout { .. }) && words.contains("*OPC?"), "{name}: {words}");
                }
                Fault::Drop => assert!(matches!(e, InstrumentError::Closed { .. }), "{name}: {words}"),
                Fault::WrongCount => assert!(words.contains("998 values") && words.contains("1001"), "{name}: {words}"),
                Fault::Garbage => {
                    assert!(
                        matches!(e, InstrumentError::Answer { .. }) && words.contains("at byte 1 "),
                        "{name}: {words}"
                    );
                }
            }
            // What follows is refused until the connection is new, and then all is well.
            assert!(matches!(session.ask("*IDN?"), Err(InstrumentError::OutOfStep { .. })), "{name}");
            session.reconnect().unwrap();
            let (kept, aborted) = take(&mut session, &d, 2);
            assert!(aborted.is_none() && kept.len() == 2, "{name}: {aborted:?}");
            assert!(session.transcript().entries().any(|e| e.text.starts_with("given up")), "{name}");
        }
    }
}

#[test]
fn device_clear_ends_a_truncated_answer_over_hislip() {
    let mut settings = SimulatedSettings::new(SimulatedKind::Analyser);
    settings.fault = Some(FaultPlan { fault: Fault::Busy, after: 0, times: 1 });
    let s = analyser(settings);
    let d = quick(TEMPLATE_ANALYSER);
    let mut session = session("hislip", &s, &d);
    session.tell("*OPC?").unwrap();
    assert!(session.device_clear().unwrap());
    assert_eq!(session.ask("*OPC?").unwrap(), "1");
}

#[test]
fn a_late_answer_is_not_taken_for_the_next_one() {
    let s = analyser(SimulatedSettings::new(SimulatedKind::Analyser));
    let d = quick(TEMPLATE_ANALYSER);
    for transport in TRANSPORTS {
        let mut session = session(transport, &s, &d);
        // A query sent as if it had no answer: what comes then belongs to nothing.
        session.tell("*ESR?").unwrap();
        let mut outcome = session.ask("SWE:POIN?");
        for _ in 0..200 {
            if outcome.is_err() {
                break;
            }
            std::thread::sleep(Duration::from_millis(5));
            outcome = session.ask("SWE:POIN?");
        }
        let e = outcome.unwrap_err();
        let fits = matches!(
            (transport, &e),
            ("tcp", InstrumentError::Stale { .. } | InstrumentError::Answer { .. })
                | ("hislip", InstrumentError::Protocol { .. })
        );
        assert!(fits, "{transport}: {e}");
    }
}

#[test]
fn a_flag_stops_a_wait() {
    let mut settings = SimulatedSettings::new(SimulatedKind::Analyser);
    settings.fault = Some(FaultPlan { fault: Fault::Busy, after: 0, times: 9 });
    let s = analyser(settings);
    let mut d = quick(TEMPLATE_ANALYSER);
    d.limits.sweep_timeout_s = 600.0;
    let stop = Arc::new(AtomicBool::new(false));
    let mut session = Session::connect(at("tcp", &s), d.limits.clone(), Arc::clone(&stop)).unwrap();
    let soon = std::thread::spawn(move || {
        std::thread::sleep(Duration::from_millis(200));
        stop.store(true, Ordering::Relaxed);
    });
    let (kept, aborted) = take(&mut session, &d, 1);
    soon.join().unwrap();
    assert!(kept.is_empty() && matches!(aborted, Some(InstrumentError::Cancelled { .. })));
}

#[test]
fn answers_are_bounded_in_length() {
    for transport in TRANSPORTS {
        let s = analyser(SimulatedSettings::new(SimulatedKind::Analyser));
        let mut d = quick(TEMPLATE_ANALYSER);
        d.limits.most_answer_bytes = 3000;
        let (_, aborted) = take(&mut session(transport, &s, &d), &d, 1);
        let e = aborted.unwrap();
        assert!(matches!(e, InstrumentError::TooLong { .. }) && e.to_string().contains("3000"), "{e}");
    }
}

#[test]
fn nobody_listening_and_bad_addresses() {
    let port = {
        let l = std::net::TcpListener::bind("127.0.0.1:0").unwrap();
        l.local_addr().unwrap().port()
    };
    for transport in TRANSPORTS {
        let address: Address = format!("{transport}://127.0.0.1:{port}").parse().unwrap();
        let e = Session::connect(address, Limits::default(), Arc::default()).unwrap_err();
        assert!(matches!(e, InstrumentError::Connect { .. }), "{e}");
    }
    for (text, word) in
        [("host", "no port"), ("host:0", "no port"), (":5025", "no host"), ("gpib://1:2", "gpib"), ("h:1/x", "path")]
    {
        let e = text.parse::<Address>().unwrap_err().to_string();
        assert!(e.contains(word) && e.contains("HOST:PORT"), "{e}");
    }
    assert_eq!("hislip://h".parse::<Address>().unwrap().to_string(), "hislip://h:4880/hislip0");
    assert_eq!("tcp://[::1]:7".parse::<Address>().unwrap(), Address::Raw { host: "::1".into(), port: 7 });
}

#[test]
fn overload_is_said_with_the_trace_and_the_highest_is_held() {
    let mut settings = SimulatedSettings::new(SimulatedKind::Analyser);
    settings.overload = true;
    let s = analyser(settings);
    let d = quick(TEMPLATE_ANALYSER);
    let (kept, aborted) = take(&mut session("tcp", &s, &d), &d, 5);
    assert!(aborted.is_none());
    let mut hold = MaxHold::default();
    for k in &kept {
        assert_eq!(k.overloaded, Some(true));
        assert!(k.trace.history.iter().any(|h| h.contains("OVERLOAD")));
        hold.add(k).unwrap();
    }
    let held = hold.trace().unwrap();
    for (i, h) in held.columns[0].level_db.iter().enumerate() {
        let highest = kept.iter().map(|k| k.trace.columns[0].level_db[i]).fold(f64::NEG_INFINITY, f64::max);
        assert_eq!(*h, highest);
    }
    assert!(held.history.iter().any(|h| h.contains("5 of 5 sweeps")), "{:?}", held.history);
}

#[test]
fn waveforms_of_both_channels() {
    for transport in TRANSPORTS {
        let s = analyser(SimulatedSettings::new(SimulatedKind::Scope));
        let d = quick(TEMPLATE_SCOPE);
        let mut session = session(transport, &s, &d);
        let prepared = prepare(&mut session, &d).unwrap();
        let both = waveform(&mut session, &d, &prepared, &[]).unwrap();
        assert_eq!(both.iter().map(|w| w.channel.as_str()).collect::<Vec<_>>(), ["1", "2"]);
        let step = &both[0];
        assert_eq!(step.volts.len(), 50_000);
        assert!((step.time_step_s - 20e-9).abs() < 1e-15 && (step.time_origin_s + 100e-6).abs() < 1e-12);
        // The invented signal: 0 V before the step, 3.3 V long after it, noise of 4 mV; sawtooth of 0 to 2 V.
        let mean = |v: &[f64]| v.iter().sum::<f64>() / v.len() as f64;
        assert!(mean(&step.volts[..4000]).abs() < 1e-3, "{}", mean(&step.volts[..4000]));
        assert!((mean(&step.volts[40_000..]) - 3.3).abs() < 1e-3, "{}", mean(&step.volts[40_000..]));
        assert!((mean(&both[1].volts) - 1.0).abs() < 0.02);
        assert_eq!(step.at_the_ends, 0);
        let one = waveform(&mut session, &d, &prepared, &["2".to_owned()]).unwrap();
        assert_eq!(one.len(), 1);
        let e = waveform(&mut session, &d, &prepared, &["3".to_owned()]).unwrap_err().to_string();
        assert!(e.contains("`3`") && e.contains("1, 2"), "{e}");
        // A binary block is told by length and hash, not written out.
        let block = session.transcript().entries().find(|e| e.bytes > 100_000).unwrap().clone();
        assert_eq!((block.bytes, block.sha256.map(|h| h.len())), (100_000 + 8 + 1, Some(64)));
    }
}
