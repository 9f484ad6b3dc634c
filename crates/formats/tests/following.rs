//! Captures that are still coming in, and stretches of them.

use std::fs::OpenOptions;
use std::io::Write;
use std::net::TcpListener;
use std::path::{Path, PathBuf};
use std::sync::atomic::Ordering;
use std::time::Duration;

use formats::capture::{CaptureChoices, Follow, StreamFormat, follow_file, follow_tcp, open_capture};
use signal::{Arrival, LiveSource, SampleSlice, SampleSource};

const SHORT: Duration = Duration::from_millis(10);

fn npy(shape: &str) -> Vec<u8> {
    let mut header = format!("{{'descr': '<i2', 'fortran_order': False, 'shape': {shape}, }}");
    while (header.len() + 11) % 64 != 0 {
        header.push(' ');
    }
    header.push('\n');
    let mut bytes = b"\x93NUMPY\x01\x00".to_vec();
    bytes.extend_from_slice(&(header.len() as u16).to_le_bytes());
    bytes.extend_from_slice(header.as_bytes());
    bytes
}

fn numbers(from: i16, to: i16) -> Vec<u8> {
    (from..to).flat_map(i16::to_le_bytes).collect()
}

fn written(folder: &tempfile::TempDir, name: &str, parts: &[&[u8]]) -> PathBuf {
    let path = folder.path().join(name);
    std::fs::write(&path, parts.concat()).unwrap();
    path
}

fn append(path: &Path, bytes: &[u8]) {
    OpenOptions::new().append(true).open(path).unwrap().write_all(bytes).unwrap();
}

/// Everything that is there now.
fn take(follow: &mut Follow, into: &mut Vec<i16>) -> Arrival {
    loop {
        match follow.wait(SHORT).unwrap() {
            Arrival::Block => match follow.block().samples {
                SampleSlice::I16(s) => into.extend_from_slice(s),
                other => panic!("{other:?}"),
            },
            other => return other,
        }
    }
}

/// SigMF 1.x: metadata beside the samples, which a recorder appends to while it runs.
#[test]
fn a_growing_sigmf_recording_is_followed_with_its_rate_and_centre() {
    let folder = tempfile::tempdir().unwrap();
    let meta = br#"{"global": {"core:datatype": "ci16_le", "core:sample_rate": 2000000, "core:version": "1.0.0"},
        "captures": [{"core:sample_start": 0, "core:frequency": 98500000}], "annotations": []}"#;
    let path = written(&folder, "air.sigmf-meta", &[meta]);
    let data = written(&folder, "air.sigmf-data", &[&numbers(0, 100), &[100, 0, 101]]);
    // A recorder that is just starting may not have written a sample yet.
    for named in [&path, &data] {
        let mut follow = follow_file(named, &CaptureChoices::default()).unwrap();
        let info = follow.info();
        assert_eq!((info.rate_hz, info.centre_hz, info.complex), (Some(2e6), Some(98.5e6), true));
        let mut got = Vec::new();
        assert_eq!(take(&mut follow, &mut got), Arrival::Nothing);
        assert_eq!(got, (0..100).collect::<Vec<i16>>(), "half a complex sample waits for its other half");
    }
    let mut follow = follow_file(&path, &CaptureChoices::default()).unwrap();
    let mut got = Vec::new();
    take(&mut follow, &mut got);
    append(&data, &numbers(100, 300)[3..]);
    assert_eq!(follow.waiting_frames(), Some(100));
    assert_eq!(take(&mut follow, &mut got), Arrival::Nothing);
    assert_eq!(got, (0..300).collect::<Vec<i16>>());
}

#[test]
fn a_growing_file_is_followed_frame_by_frame() {
    let folder = tempfile::tempdir().unwrap();
    // A header that promises nothing yet, one that promises more than there is, and numbers without a header.
    for (name, head, end) in [
        ("open.npy", npy("(0,)"), Arrival::Nothing),
        ("promised.npy", npy("(300,)"), Arrival::End),
        ("raw.bin", Vec::new(), Arrival::Nothing),
    ] {
        let path = written(&folder, name, &[&head, &numbers(0, 100), &[100]]);
        let choices = CaptureChoices {
            data_type: name.ends_with("bin").then(|| "i16_le".to_owned()),
            ..CaptureChoices::default()
        };
        let mut follow = follow_file(&path, &choices).unwrap();
        let mut got = Vec::new();
        assert_eq!(take(&mut follow, &mut got), Arrival::Nothing, "{name}");
        assert_eq!(got, (0..100).collect::<Vec<i16>>(), "{name}: half a number waits for its other half");
        append(&path, &numbers(100, 300)[1..]);
        assert_eq!(follow.waiting_frames(), Some(200), "{name}");
        assert_eq!(take(&mut follow, &mut got), end, "{name}");
        assert_eq!(got, (0..300).collect::<Vec<i16>>(), "{name}");
        follow.stop().store(true, Ordering::Relaxed);
        assert_eq!(follow.wait(SHORT).unwrap(), Arrival::End, "{name}");
    }
}

#[test]
fn a_file_that_is_still_written_is_read_as_far_as_it_goes_and_said_so() {
    let folder = tempfile::tempdir().unwrap();
    let open = written(&folder, "open.npy", &[&npy("(0,)"), &numbers(0, 100)]);
    let capture = open_capture(&open, &CaptureChoices::default()).unwrap();
    assert_eq!(capture.info().frames, Some(100));
    assert!(capture.info().notes.iter().any(|n| n.contains("still being written")), "{:?}", capture.info().notes);
    // A text whose last line is cut inside a number: 1.5E-0 for 1.5E-03.
    let text = "time,volts\n0.0,1.5E-03\n0.1,1.5E-03\n0.2,1.5E-03\n0.3,1.5E-0";
    let cut = written(&folder, "cut.csv", &[text.as_bytes()]);
    let capture = open_capture(&cut, &CaptureChoices::default()).unwrap();
    assert_eq!(capture.info().frames, Some(3));
    assert!(capture.info().notes.iter().any(|n| n.contains("last line")), "{:?}", capture.info().notes);
    // What is written on after it was opened belongs to the next reading: passes over a record must agree.
    let growing = written(&folder, "growing.csv", &[b"0.0,1\n0.1,2\n0.2,3\n"]);
    let mut capture = open_capture(&growing, &CaptureChoices::default()).unwrap();
    append(&growing, b"0.3,4\n0.4,5\n");
    let mut frames = 0;
    while let Some(block) = capture.next_block().unwrap() {
        frames += block.frames();
    }
    assert_eq!(frames, 3);
}

#[test]
fn a_span_is_a_record_of_its_own() {
    let folder = tempfile::tempdir().unwrap();
    let binary = written(&folder, "a.npy", &[&npy("(1000,)"), &numbers(0, 1000)]);
    let lines: Vec<String> = (0..1000).map(|i| format!("{},{i}\n", f64::from(i) / 100.0)).collect();
    let text = lines.concat();
    let text = written(&folder, "a.csv", &[text.as_bytes()]);
    for path in [&binary, &text] {
        let choices = CaptureChoices {
            rate_hz: Some(100.0),
            span_s: Some([2.5, 4.0]),
            block_bytes: Some(64),
            ..CaptureChoices::default()
        };
        let mut capture = open_capture(path, &choices).unwrap();
        assert_eq!((capture.info().frames, capture.frames()), (Some(150), Some(150)));
        assert!(capture.info().notes.iter().any(|n| n.contains("2.500000 s to 4.000000 s")));
        for _ in 0..2 {
            let mut got = Vec::new();
            while let Some(block) = capture.next_block().unwrap() {
                match block.samples {
                    SampleSlice::I16(s) => got.extend(s.iter().map(|x| f64::from(*x))),
                    SampleSlice::F64(s) => got.extend_from_slice(s),
                    other => panic!("{other:?}"),
                }
            }
            assert_eq!(got, (250..400).map(f64::from).collect::<Vec<_>>(), "{}", path.display());
            capture.rewind().unwrap();
        }
        let beyond = CaptureChoices { span_s: Some([10.5, 11.0]), ..choices.clone() };
        let said = open_capture(path, &beyond).unwrap_err().to_string();
        assert!(said.contains("span_s") && said.contains("the record lasts 10"), "{said}");
        let turned = CaptureChoices { span_s: Some([4.0, 2.5]), ..choices };
        assert!(open_capture(path, &turned).unwrap_err().to_string().contains("two times"));
    }
}

/// Sends on a connection what it is told to, and then closes it.
fn sender(bytes: Vec<u8>, piece: usize) -> (String, std::thread::JoinHandle<()>) {
    let listener = TcpListener::bind("127.0.0.1:0").unwrap();
    let address = format!("tcp://{}", listener.local_addr().unwrap());
    let thread = std::thread::spawn(move || {
        let (mut stream, _) = listener.accept().unwrap();
        for part in bytes.chunks(piece) {
            stream.write_all(part).unwrap();
        }
    });
    (address, thread)
}

#[test]
fn a_tcp_stream_comes_whole_while_it_is_taken() {
    // Pieces of an odd number of bytes: frames are put together across them.
    let (address, thread) = sender(numbers(0, 30_000), 777);
    let format = StreamFormat { data_type: "i16".into(), complex: false, channels: 1, ring_bytes: None };
    let choices = CaptureChoices { rate_hz: Some(1e6), ..CaptureChoices::default() };
    let mut follow = follow_tcp(&address, &format, &choices).unwrap();
    let mut got = Vec::new();
    while take(&mut follow, &mut got) == Arrival::Nothing {}
    assert_eq!(got, (0..30_000).collect::<Vec<i16>>());
    thread.join().unwrap();
    let bad = StreamFormat { data_type: "i12".into(), ..format.clone() };
    assert!(follow_tcp(&address, &bad, &choices).unwrap_err().to_string().contains("`i12`"));
    let none = CaptureChoices::default();
    assert!(follow_tcp(&address, &format, &none).unwrap_err().to_string().contains("--rate"));
}

#[test]
fn who_takes_too_slowly_loses_exactly_what_is_said() {
    let total = 4_000_000_u32;
    let (address, thread) = sender((0..total).flat_map(|i| (i as i32).to_le_bytes()).collect(), 1 << 16);
    let format = StreamFormat { data_type: "i32_le".into(), complex: false, channels: 1, ring_bytes: Some(1 << 20) };
    let choices = CaptureChoices { rate_hz: Some(1e6), ..CaptureChoices::default() };
    let mut follow = follow_tcp(&address, &format, &choices).unwrap();
    // Nothing is taken until all of it is sent: far more than the ring and the system's own buffers hold.
    thread.join().unwrap();
    let (mut next, mut lost, mut got) = (0_i32, 0_u64, 0_u64);
    loop {
        match follow.wait(Duration::from_secs(5)).unwrap() {
            Arrival::Block => {
                let SampleSlice::I32(s) = follow.block().samples else { panic!("another format") };
                // Every number is its own place in the stream: a frame lost without a word would show here.
                for x in s {
                    assert_eq!(*x, next);
                    next += 1;
                }
                got += s.len() as u64;
            }
            Arrival::Gap(frames) => {
                next += frames as i32;
                lost += frames;
            }
            Arrival::Nothing => panic!("the stream stalls"),
            Arrival::End => break,
        }
    }
    assert_eq!(got + lost, u64::from(total));
    assert!(lost > 0, "the ring held everything");
}
