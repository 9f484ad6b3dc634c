//! Captures written by numpy and scipy, which read and write these formats for most of the world.

use std::path::Path;
use std::process::Command;

use formats::capture::{CaptureChoices, open_capture};
use signal::{SampleSlice, SampleSource};

/// A Python with scipy, or nothing where none is at hand (an error in continuous integration, where it must be).
fn python() -> Option<String> {
    let found = std::env::var("HUSHFIELD_PYTHON")
        .ok()
        .filter(|p| Command::new(p).args(["-c", "import scipy.io.wavfile"]).output().is_ok_and(|o| o.status.success()));
    if found.is_none() {
        println!("skipped: HUSHFIELD_PYTHON names no Python with numpy and scipy");
        assert!(std::env::var_os("CI").is_none(), "HUSHFIELD_PYTHON must name a Python with numpy and scipy here");
    }
    found
}

/// Writes every file and, beside each, the same frames as plain doubles.
const WRITE: &str = "
import sys, numpy as np
from numpy.lib import format
from scipy.io import wavfile
rng = np.random.default_rng(7)
folder = sys.argv[1]
def known(name, frames):
    frames = np.asarray(frames)
    if np.iscomplexobj(frames):
        frames = np.stack([frames.real, frames.imag], -1)
    np.ascontiguousarray(frames, dtype='<f8').tofile(f'{folder}/{name}.known')
    print(name)
for kind in ['i1', '<i2', '>i2', '<i4', '>i4', '<f4', '>f4', '<f8', '>f8', '<c8', '>c8', '<c16']:
    for channels in [1, 3]:
        x = rng.normal(0, 30, (5000, channels))
        if 'c' in kind:
            x = x + 1j * rng.normal(0, 30, x.shape)
        x = x.astype(kind)
        if channels == 1:
            x = x[:, 0]
        plain = kind.replace('<', 'l').replace('>', 'b')
        for order in ['C', 'F']:
            name = f'{plain}_{channels}_{order}.npy'
            with open(f'{folder}/{name}', 'wb') as f:
                format.write_array(f, np.asarray(x, order=order), version=(1, 0) if order == 'C' else (2, 0))
            known(name, x)
        if channels == 3:
            name = f'{plain}_across.npy'
            np.save(f'{folder}/{name}', np.ascontiguousarray(x.T))
            known(name, x)
for kind in ['u1', 'i2', 'i4', 'f4', 'f8']:
    for channels in [1, 2, 5]:
        x = rng.integers(0, 100, (4000, channels)).astype(kind)
        if channels == 1:
            x = x[:, 0]
        name = f'{kind}_{channels}.wav'
        wavfile.write(f'{folder}/{name}', 44100, x)
        known(name, x.astype('f8') - (128 if kind == 'u1' else 0))
";

#[test]
fn the_frames_that_numpy_and_scipy_wrote() {
    let Some(python) = python() else { return };
    let folder = tempfile::tempdir().unwrap();
    let output = Command::new(python).arg("-c").arg(WRITE).arg(folder.path()).output().unwrap();
    assert!(output.status.success(), "{}", String::from_utf8_lossy(&output.stderr));
    let names: Vec<String> = String::from_utf8(output.stdout).unwrap().lines().map(str::to_owned).collect();
    for name in &names {
        let known: Vec<f64> = std::fs::read(folder.path().join(format!("{name}.known")))
            .unwrap()
            .chunks_exact(8)
            .map(|b| f64::from_le_bytes([b[0], b[1], b[2], b[3], b[4], b[5], b[6], b[7]]))
            .collect();
        let choices = CaptureChoices { block_bytes: Some(10_000), ..CaptureChoices::default() };
        let mut capture = open_capture(&folder.path().join(name), &choices).unwrap();
        let mut read = Vec::new();
        while let Some(block) = capture.next_block().unwrap() {
            match block.samples {
                SampleSlice::U8(s) => read.extend(s.iter().map(|v| f64::from(*v) - 128.0)),
                SampleSlice::I8(s) => read.extend(s.iter().map(|v| f64::from(*v))),
                SampleSlice::I16(s) => read.extend(s.iter().map(|v| f64::from(*v))),
                SampleSlice::I32(s) => read.extend(s.iter().map(|v| f64::from(*v))),
                SampleSlice::F32(s) => read.extend(s.iter().map(|v| f64::from(*v))),
                SampleSlice::F64(s) => read.extend_from_slice(s),
            }
        }
        assert!(read == known, "{name}: {:?} … and {:?} …", &read[..4], &known[..4]);
        if Path::new(name).extension().is_some_and(|e| e == "wav") {
            assert_eq!(capture.info().rate_hz, Some(44_100.0));
        }
    }
    println!("{} files of numpy and scipy read back exactly", names.len());
}
