//! Captures of every kind: written here byte by byte after the formats' own descriptions, and files nobody here wrote.

use std::fs;
use std::path::{Path, PathBuf};

use formats::capture::writer::{NpyWriter, WavWriter};
use formats::capture::{Capture, CaptureChoices, CaptureError, CaptureFormat, Truncated, open_capture};
use proptest::prelude::*;
use signal::{SampleSlice, SampleSource};

fn fixture(name: &str) -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/captures").join(name)
}

fn open(path: &Path) -> Capture {
    open_capture(path, &CaptureChoices::default()).unwrap_or_else(|e| panic!("{e}"))
}

fn fault(path: &Path) -> String {
    open_capture(path, &CaptureChoices::default()).map(|c| c.info().clone()).unwrap_err().to_string()
}

/// All numbers of a capture as they lie in the frames.
fn numbers(capture: &mut Capture) -> Vec<f64> {
    let mut out = Vec::new();
    while let Some(block) = capture.next_block().unwrap() {
        assert!(block.frames() > 0);
        match block.samples {
            SampleSlice::U8(s) => out.extend(s.iter().map(|v| f64::from(*v) - 128.0)),
            SampleSlice::I8(s) => out.extend(s.iter().map(|v| f64::from(*v))),
            SampleSlice::I16(s) => out.extend(s.iter().map(|v| f64::from(*v))),
            SampleSlice::I32(s) => out.extend(s.iter().map(|v| f64::from(*v))),
            SampleSlice::F32(s) => out.extend(s.iter().map(|v| f64::from(*v))),
            SampleSlice::F64(s) => out.extend_from_slice(s),
        }
    }
    out
}

fn close(a: f64, b: f64) -> bool {
    (a - b).abs() <= 1e-12 * b.abs().max(1e-30)
}

/// A .npy file after NEP 1: magic, version, length of the header, header padded with blanks, numbers.
fn npy(version: u8, descr: &str, fortran: bool, shape: &str, data: &[u8]) -> Vec<u8> {
    let fortran = if fortran { "True" } else { "False" };
    let mut header = format!("{{'descr': {descr}, 'fortran_order': {fortran}, 'shape': {shape}, }}");
    while !(header.len() + 13).is_multiple_of(64) {
        header.push(' ');
    }
    header.push('\n');
    let mut out = b"\x93NUMPY".to_vec();
    out.extend_from_slice(&[version, 0]);
    if version == 1 {
        out.extend_from_slice(&(header.len() as u16).to_le_bytes());
    } else {
        out.extend_from_slice(&(header.len() as u32).to_le_bytes());
    }
    out.extend_from_slice(header.as_bytes());
    out.extend_from_slice(data);
    out
}

fn written(folder: &tempfile::TempDir, name: &str, bytes: &[u8]) -> PathBuf {
    let path = folder.path().join(name);
    fs::write(&path, bytes).unwrap();
    path
}

#[test]
fn npy_numbers_of_every_kind_and_order() {
    let folder = tempfile::tempdir().unwrap();
    let values = [0i32, 1, -2, 100, -128, 127];
    let bytes_of = |f: &dyn Fn(i32) -> Vec<u8>| values.iter().flat_map(|v| f(*v)).collect::<Vec<u8>>();
    let cases: Vec<(&str, Vec<u8>)> = vec![
        ("'|i1'", bytes_of(&|v| (v as i8).to_le_bytes().to_vec())),
        ("'|u1'", bytes_of(&|v| vec![(v + 128) as u8])),
        ("'<i2'", bytes_of(&|v| (v as i16).to_le_bytes().to_vec())),
        ("'>i2'", bytes_of(&|v| (v as i16).to_be_bytes().to_vec())),
        ("'<u2'", bytes_of(&|v| ((v + 32768) as u16).to_le_bytes().to_vec())),
        ("'>u2'", bytes_of(&|v| ((v + 32768) as u16).to_be_bytes().to_vec())),
        ("'<i4'", bytes_of(&|v| v.to_le_bytes().to_vec())),
        ("'>i4'", bytes_of(&|v| v.to_be_bytes().to_vec())),
        ("'<f4'", bytes_of(&|v| (v as f32).to_le_bytes().to_vec())),
        ("'>f4'", bytes_of(&|v| (v as f32).to_be_bytes().to_vec())),
        ("'<f8'", bytes_of(&|v| f64::from(v).to_le_bytes().to_vec())),
        ("'>f8'", bytes_of(&|v| f64::from(v).to_be_bytes().to_vec())),
    ];
    for version in [1, 2, 3] {
        for (descr, data) in &cases {
            let path = written(&folder, "x.npy", &npy(version, descr, false, "(6,)", data));
            let mut capture = open(&path);
            assert_eq!(capture.info().frames, Some(6), "{descr}");
            assert_eq!(numbers(&mut capture), values.map(f64::from), "{descr} version {version}");
            capture.rewind().unwrap();
            assert_eq!(numbers(&mut capture).len(), 6, "after going back");
        }
    }
}

#[test]
fn npy_axes_and_orders_give_the_same_frames() {
    let folder = tempfile::tempdir().unwrap();
    // Frame k of three channels holds k, 100 + k, 200 + k.
    let side_by_side: Vec<u8> =
        (0..70).flat_map(|k| [k, 100 + k, 200 + k]).flat_map(|v| (v as f32).to_le_bytes()).collect();
    let one_after_the_other: Vec<u8> =
        (0..3).flat_map(|c| (0..70).map(move |k| 100 * c + k)).flat_map(|v| (v as f32).to_le_bytes()).collect();
    let expected: Vec<f64> = (0..70).flat_map(|k| [k, 100 + k, 200 + k]).map(f64::from).collect();
    for (fortran, shape, data, planar) in [
        (false, "(70, 3)", &side_by_side, false),
        (true, "(3, 70)", &side_by_side, false),
        (false, "(3, 70)", &one_after_the_other, true),
        (true, "(70, 3)", &one_after_the_other, true),
    ] {
        let path = written(&folder, "x.npy", &npy(1, "'<f4'", fortran, shape, data));
        let mut choices = CaptureChoices { block_bytes: Some(12 * 7), ..CaptureChoices::default() };
        let mut capture = open_capture(&path, &choices).unwrap();
        assert_eq!(numbers(&mut capture), expected, "{shape} {fortran}");
        assert_eq!(capture.info().notes.iter().any(|n| n.contains("one after the other")), planar);
        choices.channels = vec!["3".into(), "channel 1".into()];
        let mut two = open_capture(&path, &choices).unwrap();
        assert_eq!(two.info().channels[0].name, "channel 3");
        let picked: Vec<f64> = (0..70).flat_map(|k| [200 + k, k]).map(f64::from).collect();
        assert_eq!(numbers(&mut two), picked, "{shape} {fortran}");
    }
    let square = written(&folder, "s.npy", &npy(1, "'<f4'", false, "(80, 90)", &vec![0; 80 * 90 * 4]));
    assert!(fault(&square).contains("either axis could be time"), "{}", fault(&square));
}

#[test]
fn npy_complex() {
    let folder = tempfile::tempdir().unwrap();
    let data: Vec<u8> = (0..8).flat_map(|v| (v as f32).to_le_bytes()).collect();
    let path = written(&folder, "c.npy", &npy(1, "'<c8'", false, "(4,)", &data));
    let choices = CaptureChoices { rate_hz: Some(1e6), centre_hz: Some(100e6), ..CaptureChoices::default() };
    let mut capture = open_capture(&path, &choices).unwrap();
    assert!(capture.info().complex);
    assert_eq!((capture.info().centre_hz, capture.info().duration_s), (Some(100e6), Some(4e-6)));
    let block = capture.next_block().unwrap().unwrap();
    assert_eq!((block.frames(), block.channels, block.complex), (4, 1, true));
    // Two real columns said to be one complex channel are the same bytes.
    let path = written(&folder, "r.npy", &npy(1, "'<f4'", false, "(4, 2)", &data));
    let choices = CaptureChoices { complex: Some(true), ..CaptureChoices::default() };
    let mut capture = open_capture(&path, &choices).unwrap();
    assert_eq!((capture.info().frames, capture.info().channels.len()), (Some(4), 1));
    assert_eq!(numbers(&mut capture), (0..8).map(f64::from).collect::<Vec<_>>());
}

#[test]
fn npy_faults_name_their_place() {
    let folder = tempfile::tempdir().unwrap();
    for (bytes, wanted) in [
        (npy(1, "'<i8'", false, "(1,)", &[0; 8]), "field descr: numbers of type <i8"),
        (npy(1, "[('a', '<f4'), ('b', '<i2')]", false, "(1,)", &[0; 8]), "field descr: numbers of type [("),
        (npy(1, "'|O'", false, "(1,)", &[0; 8]), "field descr"),
        (npy(1, "'<f4'", false, "(2, 2, 2)", &[0; 32]), "field shape: an array of 3 axes"),
        (npy(1, "'<f4'", false, "()", &[0; 4]), "field shape: an array of 0 axes"),
        (npy(1, "'<f4'", false, "(x,)", &[0; 4]), "byte 61: `x,"),
        (npy(9, "'<f4'", false, "(1,)", &[0; 4]), "byte 6: format version 9"),
        (b"\x93NUMPY\x01\x00\xff\xff{".to_vec(), "byte 8: the file ends inside the header"),
        (b"\x93NUM".to_vec(), "byte 0"),
        (b"hello".to_vec(), "byte 0"),
        (Vec::new(), "an empty file"),
    ] {
        let path = written(&folder, "bad.npy", &bytes);
        let said = fault(&path);
        assert!(said.contains(wanted) && said.contains("bad.npy") && said.contains("expected"), "{said}");
    }
    assert!(matches!(
        open_capture(&folder.path().join("none.npy"), &CaptureChoices::default()),
        Err(CaptureError::Io { .. })
    ));
    let path = written(&folder, "x.npy", &npy(1, "'<f4'", false, "(1,)", &[0; 4]));
    assert!(open(&path).rate_hz().unwrap_err().to_string().contains("give --rate HZ"));
    let choices = CaptureChoices { channels: vec!["7".into()], ..CaptureChoices::default() };
    assert!(
        open_capture(&path, &choices).unwrap_err().to_string().contains("no channel `7`; expected one of channel 1")
    );
    let choices = CaptureChoices { rate_hz: Some(-5.0), ..CaptureChoices::default() };
    assert!(open_capture(&path, &choices).unwrap_err().to_string().contains("rate_hz: -5; expected a positive number"));
}

#[test]
fn a_cut_file_is_read_as_far_as_it_goes_and_a_growing_one_further() {
    let folder = tempfile::tempdir().unwrap();
    let data: Vec<u8> = (0..10i16).flat_map(i16::to_le_bytes).collect();
    // Seven frames and half of one of the ten that the header promises.
    let whole = npy(1, "'<i2'", false, "(10,)", &data);
    let path = written(&folder, "cut.npy", &whole[..whole.len() - 5]);
    let mut capture = open(&path);
    assert_eq!(capture.info().truncated, Some(Truncated { promised_frames: 10, found_frames: 7 }));
    assert_eq!(capture.frames(), Some(7));
    assert_eq!(numbers(&mut capture), (0..7).map(f64::from).collect::<Vec<_>>());
    assert!(capture.info().notes.iter().any(|n| n.contains("promises 10 frames and holds 7")));
    fs::write(&path, &whole).unwrap();
    assert_eq!(numbers(&mut capture), [7.0, 8.0, 9.0], "what was written meanwhile");
}

/// A wave file after the format's description: RIFF, `fmt `, one odd foreign chunk, `data`.
fn wav(tag: u16, bits: u16, channels: u16, rate: u32, extensible: bool, data: &[u8]) -> Vec<u8> {
    let align = channels * bits / 8;
    let mut fmt = Vec::new();
    fmt.extend_from_slice(&(if extensible { 0xFFFE } else { tag }).to_le_bytes());
    fmt.extend_from_slice(&channels.to_le_bytes());
    fmt.extend_from_slice(&rate.to_le_bytes());
    fmt.extend_from_slice(&(rate * u32::from(align)).to_le_bytes());
    fmt.extend_from_slice(&align.to_le_bytes());
    fmt.extend_from_slice(&bits.to_le_bytes());
    if extensible {
        fmt.extend_from_slice(&22u16.to_le_bytes());
        fmt.extend_from_slice(&bits.to_le_bytes());
        fmt.extend_from_slice(&0u32.to_le_bytes());
        fmt.extend_from_slice(&tag.to_le_bytes());
        fmt.extend_from_slice(b"\x00\x00\x00\x00\x10\x00\x80\x00\x00\xaa\x00\x38\x9b\x71");
    }
    let mut out = b"RIFF\0\0\0\0WAVEfmt ".to_vec();
    out.extend_from_slice(&(fmt.len() as u32).to_le_bytes());
    out.extend_from_slice(&fmt);
    out.extend_from_slice(b"LIST\x03\x00\x00\x00abc\x00data");
    out.extend_from_slice(&(data.len() as u32).to_le_bytes());
    out.extend_from_slice(data);
    out
}

#[test]
fn wav_numbers_of_every_kind() {
    let folder = tempfile::tempdir().unwrap();
    let values = [0i32, 1, -2, 100, -128, 127];
    let bytes_of = |f: &dyn Fn(i32) -> Vec<u8>| values.iter().flat_map(|v| f(*v)).collect::<Vec<u8>>();
    for extensible in [false, true] {
        for (tag, bits, data, full_scale) in [
            (1, 8, bytes_of(&|v| vec![(v + 128) as u8]), Some(128.0)),
            (1, 16, bytes_of(&|v| (v as i16).to_le_bytes().to_vec()), Some(32768.0)),
            (1, 24, bytes_of(&|v| v.to_le_bytes()[..3].to_vec()), Some(8_388_608.0)),
            (1, 32, bytes_of(&|v| v.to_le_bytes().to_vec()), Some(2_147_483_648.0)),
            (3, 32, bytes_of(&|v| (v as f32).to_le_bytes().to_vec()), None),
            (3, 64, bytes_of(&|v| f64::from(v).to_le_bytes().to_vec()), None),
        ] {
            let path = written(&folder, "x.wav", &wav(tag, bits, 3, 192_000, extensible, &data));
            let mut capture = open(&path);
            let info = capture.info();
            assert_eq!((info.format, info.frames, info.channels.len()), (CaptureFormat::Wav, Some(2), 3));
            assert_eq!((info.rate_hz, info.full_scale), (Some(192e3), full_scale));
            assert!(close(info.channels[0].volts_per_unit, 1.0 / full_scale.unwrap_or(1.0)), "full scale is 1 V");
            assert_eq!(numbers(&mut capture), values.map(f64::from), "{bits} bits");
        }
    }
}

#[test]
fn wav_longer_than_4_gib_and_faults() {
    let folder = tempfile::tempdir().unwrap();
    // RF64 after EBU Tech 3306: lengths in `ds64`, 0xFFFFFFFF in their usual place.
    let plain = wav(1, 16, 1, 48_000, false, &[]);
    for signature in [b"RF64", b"BW64"] {
        let mut bytes = signature.to_vec();
        bytes.extend_from_slice(b"\xff\xff\xff\xffWAVEds64");
        bytes.extend_from_slice(&28u32.to_le_bytes());
        let data_bytes = 6_000_000_000u64;
        bytes.extend_from_slice(&(data_bytes + 100).to_le_bytes());
        bytes.extend_from_slice(&data_bytes.to_le_bytes());
        bytes.extend_from_slice(&(data_bytes / 2).to_le_bytes());
        bytes.extend_from_slice(&0u32.to_le_bytes());
        bytes.extend_from_slice(&plain[12..plain.len() - 4]);
        bytes.extend_from_slice(b"\xff\xff\xff\xff");
        let offset = bytes.len() as u64;
        let path = written(&folder, "long.wav", &bytes);
        assert_eq!(open(&path).info().truncated.unwrap().promised_frames, 3_000_000_000);
        // Where a hole in a file takes no room on the disk, also at its full length.
        if cfg!(unix) {
            let file = fs::OpenOptions::new().write(true).open(&path).unwrap();
            file.set_len(offset + data_bytes).unwrap();
            let capture = open(&path);
            assert_eq!((capture.frames(), capture.info().truncated), (Some(3_000_000_000), None));
        }
    }
    let data: Vec<u8> = (0..4i16).flat_map(i16::to_le_bytes).collect();
    let whole = wav(1, 16, 1, 48_000, false, &data);
    let cut = written(&folder, "cut.wav", &whole[..whole.len() - 3]);
    assert_eq!(open(&cut).info().truncated, Some(Truncated { promised_frames: 4, found_frames: 2 }));
    // A recorder that was switched off leaves the length at 0.
    let mut open_end = whole.clone();
    let at = open_end.len() - 12;
    open_end[at..at + 4].fill(0);
    let path = written(&folder, "open.wav", &open_end);
    assert_eq!(open(&path).frames(), Some(4));
    let mut adpcm = whole.clone();
    adpcm[20] = 2;
    for (bytes, wanted) in [
        (adpcm, "coding 0x0002"),
        (whole[..30].to_vec(), "`fmt ` chunk"),
        (whole[..40].to_vec(), "ends before its samples"),
        (b"RIFF\x04\0\0\0AVI ".to_vec(), "no wave signature"),
        (b"RIFF".to_vec(), "byte 0"),
        (wav(1, 16, 0, 48_000, false, &data), "no channels"),
        (wav(1, 16, 1, 0, false, &data), "sampling rate of 0"),
        (wav(1, 48, 1, 48_000, false, &data), "48 bits in 6 bytes"),
    ] {
        let path = written(&folder, "bad.wav", &bytes);
        let said = fault(&path);
        assert!(said.contains(wanted) && said.contains("expected"), "{said}");
    }
}

#[test]
fn scales_are_volts_per_stored_number() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("x.wav");
    let mut writer = WavWriter::create(&path, 2, 1_000_000).unwrap();
    writer.write_i16(&[1, -1, 32767, -32768]).unwrap();
    assert_eq!(writer.finish().unwrap(), 2);
    let with = |c: CaptureChoices| open_capture(&path, &c).unwrap().info().channels[0].clone();
    let said = with(CaptureChoices { volts_per_unit: Some(1e-3), ..CaptureChoices::default() });
    assert!(said.scale_known && said.volts_per_unit == 1e-3);
    let full = with(CaptureChoices { full_scale_v: Some(2.5), ..CaptureChoices::default() });
    assert!(full.scale_known && close(full.volts_per_unit, 2.5 / 32768.0));
    let assumed = with(CaptureChoices::default());
    assert!(!assumed.scale_known && close(assumed.volts_per_unit, 1.0 / 32768.0));
    assert_eq!(numbers(&mut open(&path)), [1.0, -1.0, 32767.0, -32768.0]);
}

#[test]
fn what_is_written_is_read_again() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("x.npy");
    let mut writer = NpyWriter::create_f32(&path, 2).unwrap();
    for k in 0..1000 {
        writer.write_f32(&[k as f32, -(k as f32)]).unwrap();
    }
    assert!(writer.write_i16(&[1]).is_err());
    assert_eq!(writer.finish().unwrap(), 1000);
    let mut capture = open(&path);
    assert_eq!((capture.frames(), capture.info().channels.len()), (Some(1000), 2));
    assert_eq!(numbers(&mut capture)[1998..], [999.0, -999.0]);
    let mut writer = NpyWriter::create_i16(&path, 1).unwrap();
    writer.write_i16(&[5, -5]).unwrap();
    writer.finish().unwrap();
    assert_eq!(numbers(&mut open(&path)), [5.0, -5.0]);
}

#[test]
fn sigmf_types_of_the_specification() {
    let folder = tempfile::tempdir().unwrap();
    let data_path = folder.path().join("r.sigmf-data");
    let meta_path = folder.path().join("r.sigmf-meta");
    let values = [0i32, 1, -2, 100, -128, 127];
    let bytes_of = |f: &dyn Fn(i32) -> Vec<u8>| values.iter().flat_map(|v| f(*v)).collect::<Vec<u8>>();
    let types: Vec<(&str, Vec<u8>)> = vec![
        ("f32_le", bytes_of(&|v| (v as f32).to_le_bytes().to_vec())),
        ("f32_be", bytes_of(&|v| (v as f32).to_be_bytes().to_vec())),
        ("f64_le", bytes_of(&|v| f64::from(v).to_le_bytes().to_vec())),
        ("f64_be", bytes_of(&|v| f64::from(v).to_be_bytes().to_vec())),
        ("i32_le", bytes_of(&|v| v.to_le_bytes().to_vec())),
        ("i32_be", bytes_of(&|v| v.to_be_bytes().to_vec())),
        ("i16_le", bytes_of(&|v| (v as i16).to_le_bytes().to_vec())),
        ("i16_be", bytes_of(&|v| (v as i16).to_be_bytes().to_vec())),
        ("u32_le", bytes_of(&|v| (v as u32 ^ 0x8000_0000).to_le_bytes().to_vec())),
        ("u32_be", bytes_of(&|v| (v as u32 ^ 0x8000_0000).to_be_bytes().to_vec())),
        ("u16_le", bytes_of(&|v| (v as u16 ^ 0x8000).to_le_bytes().to_vec())),
        ("u16_be", bytes_of(&|v| (v as u16 ^ 0x8000).to_be_bytes().to_vec())),
        ("i8", bytes_of(&|v| vec![v as u8])),
        ("u8", bytes_of(&|v| vec![(v + 128) as u8])),
    ];
    for (kind, data) in types {
        for complex in [false, true] {
            let letter = if complex { 'c' } else { 'r' };
            let meta = format!(
                r#"{{"global": {{"core:datatype": "{letter}{kind}", "core:version": "1.2.0", "core:sample_rate": 1e6}},
                "captures": [{{"core:sample_start": 0, "core:frequency": 868e6}}],
                "annotations": [{{"core:sample_start": 2, "core:sample_count": 1, "core:label": "beep",
                  "core:freq_lower_edge": 867.9e6, "core:freq_upper_edge": 868.1e6}}]}}"#
            );
            fs::write(&meta_path, meta).unwrap();
            fs::write(&data_path, &data).unwrap();
            for named in [&meta_path, &data_path] {
                let mut capture = open(named);
                let info = capture.info();
                assert_eq!(info.frames, Some(if complex { 3 } else { 6 }));
                assert_eq!(info.centre_hz, complex.then_some(868e6));
                assert_eq!(info.annotations[0].label, "beep");
                assert_eq!(info.annotations[0].to_hz, Some(868.1e6));
                assert_eq!(numbers(&mut capture), values.map(f64::from), "{letter}{kind}");
            }
        }
    }
}

#[test]
fn a_sigmf_recording_nobody_here_wrote() {
    let path = fixture("sample.sigmf-meta");
    let mut capture = open(&path);
    assert_eq!(capture.info().sample_type, "32-bit float, little endian");
    assert_eq!((capture.info().frames, capture.info().annotations[0].frames), (Some(16), Some(16)));
    assert!(capture.rate_hz().unwrap_err().to_string().contains("--rate HZ"));
    assert_eq!(numbers(&mut capture).len(), 16);
    let checked = CaptureChoices { verify_hash: true, ..CaptureChoices::default() };
    let capture = open_capture(&path, &checked).unwrap();
    assert!(capture.info().notes.iter().any(|n| n.contains("SHA-512 checked")), "{:?}", capture.info().notes);
    // One bit turned over.
    let folder = tempfile::tempdir().unwrap();
    fs::copy(&path, folder.path().join("x.sigmf-meta")).unwrap();
    let mut data = fs::read(fixture("sample.sigmf-data")).unwrap();
    data[5] ^= 1;
    let changed = written(&folder, "x.sigmf-data", &data);
    let said = open_capture(&changed, &checked).unwrap_err().to_string();
    assert!(said.contains("core:sha512") && said.contains("not the ones described"), "{said}");
}

#[test]
fn sigmf_faults_name_their_field() {
    let folder = tempfile::tempdir().unwrap();
    written(&folder, "x.sigmf-data", &[0; 16]);
    for (meta, wanted) in [
        ("{", "line 1"),
        ("{}", "global: nothing"),
        (r#"{"global": {}}"#, "core:datatype: nothing"),
        (r#"{"global": {"core:datatype": "rf16_le"}}"#, "core:datatype: `rf16_le`"),
        (r#"{"global": {"core:datatype": "ri16"}}"#, "core:datatype: `ri16`"),
        (r#"{"global": {"core:datatype": "rf32_le", "core:sample_rate": -1}}"#, "core:sample_rate: -1"),
        (r#"{"global": {"core:datatype": "rf32_le", "core:num_channels": 1.5}}"#, "core:num_channels"),
        (r#"{"global": {"core:datatype": "rf32_le", "core:dataset": "../x"}}"#, "core:dataset"),
        (r#"{"global": {"core:datatype": "rf32_le", "core:metadata_only": true}}"#, "core:metadata_only"),
        (r#"{"collection": {}}"#, "a collection"),
    ] {
        let path = written(&folder, "x.sigmf-meta", meta.as_bytes());
        let said = fault(&path);
        assert!(said.contains(wanted) && said.contains("expected"), "{said}");
    }
}

/// Facts about each file as its preamble, its settings file or its origin's readme states them.
#[test]
fn oscilloscope_texts_nobody_here_wrote() {
    for (name, channels, rows, rate_hz, start_s) in [
        ("quoted_preamble_then_time.csv", 2, 134, 500e6, 0.0),
        ("index_with_start_and_increment.csv", 3, 1200, 50e3, -2e-3),
        ("index_starting_at_22.csv", 2, 1356, 500e3, -1.4e-3),
        ("units_row_below_header.csv", 1, 600, 50e6, -5.9999998e-6),
        ("empty_first_name_trailing_blank.csv", 2, 298, 250e3, -1.6384e-2),
        ("key_value_preamble_cut_short.csv", 1, 586, 25e9, -9.99966406e-7),
        ("metadata_beside_the_numbers.csv", 1, 1000, 250e9, -2e-9),
    ] {
        let mut capture = open(&fixture(name));
        let info = capture.info().clone();
        assert_eq!(info.format, CaptureFormat::Csv, "{name}");
        assert_eq!(info.channels.len(), channels, "{name}: {info:?}");
        assert_eq!(info.frames, Some(rows), "{name}");
        let rate = info.rate_hz.unwrap_or_else(|| panic!("{name}: {info:?}"));
        assert!((rate / rate_hz - 1.0).abs() < 1e-6, "{name}: {rate} Hz");
        assert!((info.start_s.unwrap() - start_s).abs() <= 1e-12 + 1e-6 * start_s.abs(), "{name}: {:?}", info.start_s);
        assert_eq!(numbers(&mut capture).len() as u64, rows * channels as u64, "{name}");
        assert!(info.channels.iter().all(|c| c.unit == "V" && c.volts_per_unit == 1.0), "{name}");
    }
    // The step is about 1.001e-5 s; the text is rounded to 1e-8 s, so single steps differ by a thousandth.
    let rounded = open(&fixture("units_in_header_rounded_time.csv"));
    assert_eq!(rounded.info().channels[1].name, "CH 2");
    assert!((rounded.info().rate_hz.unwrap() * 1.001e-5 - 1.0).abs() < 1e-4);
    let cut = open(&fixture("key_value_preamble_cut_short.csv"));
    assert_eq!(cut.info().truncated, Some(Truncated { promised_frames: 50_000, found_frames: 586 }));
}

#[test]
fn the_first_numbers_of_foreign_texts() {
    for (name, first) in [
        ("quoted_preamble_then_time.csv", vec![1.72, 9.92, -4.52, 9.92]),
        ("index_starting_at_22.csv", vec![0.03125, 0.00625, -0.0625, -0.00625]),
        ("metadata_beside_the_numbers.csv", vec![-2.59373983e-3, 2.30000106e-2]),
        ("values_only.csv", vec![-0.031620555, 0.0, 0.015810277]),
    ] {
        assert_eq!(numbers(&mut open(&fixture(name)))[..first.len()], first[..], "{name}");
    }
}

#[test]
fn texts_without_a_rate_ask_for_it_and_broken_ones_are_refused() {
    let path = fixture("values_only.csv");
    assert!(open(&path).rate_hz().unwrap_err().to_string().contains("give --rate HZ"));
    let choices = CaptureChoices { rate_hz: Some(1e6), ..CaptureChoices::default() };
    assert_eq!(open_capture(&path, &choices).unwrap().info().duration_s, Some(500e-6));
    let said = fault(&fixture("broken_one_row.csv"));
    assert!(said.contains("line 4: `Test`; expected a line of numbers"), "{said}");
    assert!(fault(&fixture("broken_no_time.csv")).contains("line 3: `Test`; expected a line of numbers"));
}

#[test]
fn texts_of_our_own_shapes() {
    let folder = tempfile::tempdir().unwrap();
    let read = |text: &[u8]| open(&written(&folder, "x.csv", text));
    // Decimal comma beside semicolons, units in the header, milliseconds and millivolts.
    let mut c = read("Zeit (ms);Kanal A (mV)\n0,0;1,5\n0,1;-2,5\n0,2;3\n".as_bytes());
    assert_eq!((c.info().rate_hz, c.info().channels[0].volts_per_unit), (Some(10e3), 1e-3));
    assert_eq!(c.info().channels[0].name, "Kanal A");
    assert_eq!(numbers(&mut c), [1.5, -2.5, 3.0]);
    // The same in UTF-16 with a byte-order mark, and quoted with commas between.
    let text = "time/us;u/V\r\n0;1,5\r\n1;2,5\r\n2;3,5\r\n";
    let utf16: Vec<u8> = [0xFEFF].into_iter().chain(text.encode_utf16()).flat_map(u16::to_le_bytes).collect();
    let mut c = read(&utf16);
    assert_eq!(c.info().rate_hz, Some(1e6));
    assert_eq!(numbers(&mut c), [1.5, 2.5, 3.5]);
    let mut c = read(b"\"time\",\"V1\"\n\"0,000\",\"1,5\"\n\"0,001\",\"2,5\"\n\"0,002\",\"3,5\"\n");
    assert_eq!(c.info().rate_hz, Some(1e3));
    assert_eq!(numbers(&mut c), [1.5, 2.5, 3.5]);
    // Blanks, tabs, a rate in a comment.
    let mut c = read(b"# sample rate = 2 MHz\n1.5 2.5\n3.5 2.0\n5.5 1e-3\n0 0\n");
    assert_eq!((c.info().rate_hz, c.info().channels.len()), (Some(2e6), 2), "{:?}", c.info());
    assert_eq!(numbers(&mut c)[..4], [1.5, 2.5, 3.5, 2.0]);
    let mut c = read(b"t [s]\tu_in [V]\ti_in [mA]\n0\t1\t2\n1e-3\t3\t4\n2e-3\t5\t6\n");
    assert_eq!((c.info().rate_hz, c.info().channels[1].unit.as_str()), (Some(1e3), "A"));
    assert_eq!(numbers(&mut c), [1.0, 2.0, 3.0, 4.0, 5.0, 6.0]);
    // A column by its name.
    let path = written(&folder, "n.csv", b"time_s,voltage,current\n0,1,2\n1e-3,3,4\n2e-3,5,6\n");
    let choices = CaptureChoices { channels: vec!["current".into()], ..CaptureChoices::default() };
    let mut c = open_capture(&path, &choices).unwrap();
    assert_eq!(numbers(&mut c), [2.0, 4.0, 6.0]);
    assert_eq!(c.info().rate_hz, Some(1e3));
    let path = written(&folder, "u.csv", b"time_s,voltage_v,current_ma\n0,1,2\n1e-3,3,4\n2e-3,5,6\n");
    let choices = CaptureChoices { channels: vec!["voltage_V".into()], ..CaptureChoices::default() };
    assert_eq!(numbers(&mut open_capture(&path, &choices).unwrap()), [1.0, 3.0, 5.0]);
    // The last line is still being written.
    let mut c = read(b"time,v\n0,1\n1,2\n2,3\n3,");
    assert_eq!((c.info().frames, numbers(&mut c).len()), (Some(3), 3));
}

#[test]
fn texts_that_can_be_read_two_ways_or_are_uneven_are_refused() {
    let folder = tempfile::tempdir().unwrap();
    let path = written(&folder, "two.csv", b"0,5\n0,7\n1,2\n0,1\n");
    let said = fault(&path);
    assert!(said.contains("decimal_comma") && said.contains("one number with a decimal comma or as two"), "{said}");
    let read = |comma| {
        let choices = CaptureChoices { decimal_comma: Some(comma), ..CaptureChoices::default() };
        numbers(&mut open_capture(&path, &choices).unwrap())
    };
    assert_eq!(read(true), [0.5, 0.7, 1.2, 0.1]);
    assert_eq!(read(false).len(), 8);
    let uneven = written(&folder, "uneven.csv", b"time,v\n0,1\n1e-3,2\n2e-3,3\n4e-3,4\n5e-3,4\n");
    let said = fault(&uneven);
    assert!(said.contains("line 5, time") && said.contains("--rate HZ"), "{said}");
    let choices = CaptureChoices { rate_hz: Some(1e3), ..CaptureChoices::default() };
    assert_eq!(open_capture(&uneven, &choices).unwrap().info().frames, Some(5));
    let mut text = String::from("time,v\n");
    for k in 0..1000 {
        text.push_str(&if k == 700 { "7e-4,abc\n".to_owned() } else { format!("{k}e-6,1\n") });
    }
    let said = fault(&written(&folder, "bad.csv", text.as_bytes()));
    assert!(said.contains("line 702, column 2: `abc`; expected a number"), "{said}");
    let said = fault(&written(&folder, "bin.dat", &[0, 1, 2, 3]));
    assert!(said.contains("binary file of no known format"), "{said}");
    assert!(fault(&written(&folder, "words.csv", b"nothing\nto see\nhere\n")).contains("expected a line of numbers"));
}

#[test]
fn raw_numbers_when_their_type_is_said() {
    let folder = tempfile::tempdir().unwrap();
    let data: Vec<u8> = [1i16, 2, 3, 4, 5].into_iter().flat_map(i16::to_be_bytes).collect();
    let path = written(&folder, "x.bin", &data);
    let choices =
        CaptureChoices { data_type: Some("i16_be".into()), raw_channels: Some(2), ..CaptureChoices::default() };
    let mut c = open_capture(&path, &choices).unwrap();
    assert_eq!(numbers(&mut c), [1.0, 2.0, 3.0, 4.0]);
    assert!(c.info().notes.iter().any(|n| n.contains("last 2 bytes make no whole frame")));
    let choices = CaptureChoices { data_type: Some("ci16_be".into()), ..CaptureChoices::default() };
    assert!(open_capture(&path, &choices).unwrap().info().complex);
    let choices = CaptureChoices { data_type: Some("int".into()), ..CaptureChoices::default() };
    assert!(open_capture(&path, &choices).unwrap_err().to_string().contains("data_type: `int`"));
}

/// Files that may not be copied here, where a folder with them is at hand. Facts as the files and their origins state them.
#[test]
fn further_files_nobody_here_wrote() {
    let Some(data) = std::env::var_os("HUSHFIELD_DATA") else {
        println!("skipped: HUSHFIELD_DATA names no folder with further recordings");
        return;
    };
    let data = Path::new(&data);
    let choices = CaptureChoices { verify_hash: true, ..CaptureChoices::default() };
    let logo = open_capture(&data.join("rf_spectra/sigmf/sigmf_logo.sigmf-meta"), &choices).unwrap();
    let info = logo.info();
    assert_eq!((info.rate_hz, info.channels.len(), info.frames), (Some(48e3), 2, Some(288_000)));
    assert_eq!((info.annotations.len(), info.annotations[2].comment.as_str()), (3, "logo steady"));
    let wave = open(&data.join("scope_csv/tm_data_types/analog_waveform.csv"));
    assert_eq!((wave.info().frames, wave.info().rate_hz, wave.info().truncated), (Some(50_000), Some(25e9), None));
    for name in ["001_ref.wav", "024_ref.wav"] {
        let mut wave = open(&data.join("mains/enf_whu").join(name));
        let frames = wave.frames().unwrap();
        assert_eq!(numbers(&mut wave).len() as u64, frames * wave.info().channels.len() as u64, "{name}");
    }
    // A curve is no capture: its first column does not step evenly, and decimals have commas.
    let curve = fault(&data.join("scope_csv/transistordatabase/switch_on_res_vg_15V.csv"));
    assert!(curve.contains("time") || curve.contains("line"), "{curve}");
}

fn never_panics(folder: &tempfile::TempDir, name: &str, bytes: &[u8]) {
    let path = written(folder, name, bytes);
    for data_type in [None, Some("f32_le".to_owned())] {
        let choices = CaptureChoices { data_type, block_bytes: Some(64), ..CaptureChoices::default() };
        if let Ok(mut capture) = open_capture(&path, &choices) {
            let promised = capture.frames();
            let mut frames = 0;
            while let Ok(Some(block)) = capture.next_block() {
                frames += block.frames() as u64;
                assert!(frames < 1 << 20);
            }
            if let Some(promised) = promised {
                assert_eq!(frames, promised, "what is said to be there is there");
            }
        }
    }
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(300))]
    #[test]
    fn arbitrary_bytes_never_panic(bytes in prop::collection::vec(any::<u8>(), 0..300), kind in 0..4usize) {
        let folder = tempfile::tempdir().unwrap();
        let starts: [&[u8]; 4] = [b"", b"\x93NUMPY\x01\x00\x20\x00{'descr': '<i2', ", b"RIFF\0\0\0\0WAVE", b"RF64\0\0\0\0WAVE"];
        let all = [starts[kind], &bytes].concat();
        never_panics(&folder, "x.dat", &all);
    }

    #[test]
    fn arbitrary_texts_never_panic(text in "[-0-9.,;e+\t \n\"#a-cVµ()=]{0,300}") {
        let folder = tempfile::tempdir().unwrap();
        never_panics(&folder, "x.csv", text.as_bytes());
    }

    #[test]
    fn bytes_changed_in_good_files_never_panic(at in 0..200usize, to in any::<u8>(), which in 0..3usize) {
        let folder = tempfile::tempdir().unwrap();
        let data: Vec<u8> = (0..60u8).collect();
        let mut file = match which {
            0 => npy(1, "'<f4'", false, "(5, 3)", &data),
            1 => wav(1, 24, 2, 48_000, true, &data),
            _ => fs::read(fixture("index_starting_at_22.csv")).unwrap()[..400].to_vec(),
        };
        let at = at % file.len();
        file[at] = to;
        never_panics(&folder, ["x.npy", "x.wav", "x.csv"][which], &file);
    }
}
