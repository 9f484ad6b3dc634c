//! A capture far larger than the memory that may be used is read to its end. This test has a process of its own,
//! because it looks at the most memory the process ever had.

// Elsewhere a hole in a file takes room on the disk.
#![cfg(unix)]

use std::fs::{self, OpenOptions};

use formats::capture::{CaptureChoices, open_capture};
use signal::{SampleSlice, SampleSource};

/// Most memory this process ever had resident, bytes; `None` where the system does not tell.
fn peak_bytes() -> Option<u64> {
    let status = fs::read_to_string("/proc/self/status").ok()?;
    let line = status.lines().find(|l| l.starts_with("VmHWM:"))?;
    Some(line.split_whitespace().nth(1)?.parse::<u64>().ok()? * 1024)
}

/// The floor is 300 MiB for 4 GiB; a block is 4 MiB and nothing else grows, so 64 MiB is asked here.
#[test]
fn four_gib_are_read_in_little_memory() {
    let folder = tempfile::tempdir().unwrap();
    let frames: u64 = 1 << 30;
    let mut header = format!("{{'descr': '<f4', 'fortran_order': False, 'shape': ({frames},), }}");
    while (header.len() + 11) % 64 != 0 {
        header.push(' ');
    }
    header.push('\n');
    let mut bytes = b"\x93NUMPY\x01\x00".to_vec();
    bytes.extend_from_slice(&(header.len() as u16).to_le_bytes());
    bytes.extend_from_slice(header.as_bytes());
    let path = folder.path().join("large.npy");
    fs::write(&path, &bytes).unwrap();
    // A hole in the file: zeros that take no room on the disk.
    OpenOptions::new().write(true).open(&path).unwrap().set_len(bytes.len() as u64 + 4 * frames).unwrap();
    let mut capture = open_capture(&path, &CaptureChoices::default()).unwrap();
    assert_eq!(capture.info().truncated, None);
    let (mut read, mut blocks) = (0, 0u32);
    while let Some(block) = capture.next_block().unwrap() {
        assert!(
            matches!(block.samples, SampleSlice::F32(s) if s[0] == 0.0),
            "the file's numbers, not a copy in another format"
        );
        read += block.frames() as u64;
        blocks += 1;
    }
    assert_eq!(read, frames);
    match peak_bytes() {
        Some(peak) => {
            println!("4 GiB in {blocks} blocks, at most {:.1} MiB resident", peak as f64 / f64::from(1 << 20));
            assert!(peak < 64 << 20, "{peak} bytes");
        }
        None => println!("this system does not say how much memory was used: only the reading was checked"),
    }
}
