//! Files made to harm: good files with bytes changed, cut, doubled and swapped, and headers that promise billions of rows.
//! Every reader must answer or refuse: no panic, no hang, bounded memory. The changes are seeded, so a failure comes again;
//! the message names the file and the seed.

use std::fs;
use std::panic::{AssertUnwindSafe, catch_unwind};
use std::path::{Path, PathBuf};
use std::sync::mpsc;
use std::time::Duration;

use formats::capture::{CaptureChoices, follow_file, open_capture};
use formats::chain_file::read_chain;
use formats::factor::{FactorChoices, read_factor};
use formats::peak_list::read_peak_list;
use formats::sweep::{SweepChoices, read_sweep};
use formats::touchstone::read_touchstone;
use formats::trace_file::read_trace;
use signal::{LiveSource, SampleSource};

/// Changed copies of each file of the corpus.
const ROUNDS: u64 = 24;
/// Changed copies of the recording that comes in two files.
const PAIRS: u64 = 400;
/// A reader that takes longer than this over a small file hangs.
const HANG: Duration = Duration::from_mins(2);
/// Most memory the process may ever have had, MiB.
const MOST_MIB: u64 = 400;

struct Random(u64);

impl Random {
    fn next(&mut self) -> u64 {
        self.0 ^= self.0 << 13;
        self.0 ^= self.0 >> 7;
        self.0 ^= self.0 << 17;
        self.0.wrapping_mul(0x2545_F491_4F6C_DD1D)
    }

    fn below(&mut self, n: usize) -> usize {
        (self.next() % n.max(1) as u64) as usize
    }
}

/// What breaks readers: huge and odd numbers, unbalanced brackets, separators in wrong places.
const WORDS: [&[u8]; 14] = [
    b"99999999999999999999",
    b"4294967295",
    b"-1",
    b"1e308",
    b"nan",
    b"inf",
    b"0",
    b"\n",
    b",,,,",
    b"((((",
    b"\xff\xfe",
    b"{'",
    b"[[[[",
    b"\0",
];

fn changed(good: &[u8], random: &mut Random) -> Vec<u8> {
    let mut bytes = good.to_vec();
    for _ in 0..=random.below(4) {
        // The head decides most: half of the changes are there.
        let reach = if random.below(2) == 0 { bytes.len().min(200) } else { bytes.len() };
        let at = random.below(reach);
        match random.below(7) {
            0 if at < bytes.len() => bytes[at] = random.next() as u8,
            1 if at < bytes.len() => bytes[at] ^= 1 << random.below(8),
            2 => bytes.truncate(at),
            3 => {
                let word = WORDS[random.below(WORDS.len())];
                bytes.splice(at..at, word.iter().copied());
            }
            4 => {
                let word = WORDS[random.below(WORDS.len())];
                let end = (at + word.len()).min(bytes.len());
                bytes.splice(at..end, word.iter().copied());
            }
            5 => {
                let end = (at + random.below(64)).min(bytes.len());
                let part = bytes[at..end].to_vec();
                bytes.splice(at..at, part);
            }
            _ => {
                let end = (at + random.below(64)).min(bytes.len());
                bytes.drain(at..end);
            }
        }
    }
    bytes
}

/// A capture is opened and read to its end, or to sixteen blocks.
fn read_capture(path: &Path, choices: &CaptureChoices) {
    let Ok(mut capture) = open_capture(path, choices) else { return };
    for _ in 0..16 {
        match capture.next_block() {
            Ok(Some(block)) => assert!(block.frames() * block.channels <= block.samples.len()),
            _ => break,
        }
    }
    let _ = capture.rewind();
}

/// Every reader on the same bytes: a file may come under any name.
fn all_readers(folder: &Path, name: &str, bytes: &[u8]) {
    let text = String::from_utf8_lossy(bytes);
    let _ = read_touchstone(&text, name);
    let _ = read_sweep(bytes, name, &SweepChoices::default());
    let _ = read_factor(&text, name, &FactorChoices::default());
    let _ = read_peak_list(&text, name);
    let path = folder.join(name);
    fs::write(&path, bytes).unwrap();
    if name.ends_with("toml") {
        let _ = read_chain(&path);
    }
    read_capture(&path, &CaptureChoices::default());
    read_capture(
        &path,
        &CaptureChoices { rate_hz: Some(1e6), span_s: Some([1e-6, 1e-3]), ..CaptureChoices::default() },
    );
    let _ = read_trace(&path);
    fs::remove_file(&path).unwrap();
}

/// A recording of two files: one of them changed, the other as it was.
fn read_pair(folder: &Path, meta: &[u8], data: &[u8]) {
    let path = folder.join("pair.sigmf-meta");
    fs::write(&path, meta).unwrap();
    fs::write(path.with_extension("sigmf-data"), data).unwrap();
    for verify_hash in [false, true] {
        read_capture(&path, &CaptureChoices { verify_hash, ..CaptureChoices::default() });
    }
    if let Ok(mut follow) = follow_file(&path, &CaptureChoices::default()) {
        let _ = follow.wait(Duration::ZERO);
    }
}

/// The project's own test files, small ones, and a few binary ones made here.
fn corpus() -> Vec<(String, Vec<u8>)> {
    let root = Path::new(env!("CARGO_MANIFEST_DIR")).join("tests");
    let mut files: Vec<PathBuf> = ["captures", "networks", "sweeps"]
        .iter()
        .flat_map(|folder| fs::read_dir(root.join(folder)).unwrap().flatten().map(|e| e.path()))
        .filter(|p| fs::metadata(p).is_ok_and(|m| m.is_file() && m.len() < 40_000))
        .collect();
    files.sort();
    let mut corpus: Vec<_> = files
        .iter()
        .map(|p| (p.file_name().unwrap().to_string_lossy().into_owned(), fs::read(p).unwrap()))
        .filter(|(name, _)| !name.ends_with("md"))
        .collect();
    corpus.push(("a.npy".into(), npy("(500, 2)", "<i2", &[7; 2000])));
    corpus.push(("b.npy".into(), npy("(100,)", "<c8", &[1; 800])));
    corpus.push(("a.wav".into(), wav(400)));
    corpus.push((
        "chain.toml".into(),
        b"name = \"x\"\n[[element]]\nname = \"cable\"\nkind = \"cable\"\ncorrection_db = [[1e5, 0.1], [3e7, 1.2]]\n"
            .to_vec(),
    ));
    corpus
}

fn npy(shape: &str, descr: &str, data: &[u8]) -> Vec<u8> {
    let head = format!("{{'descr': '{descr}', 'fortran_order': False, 'shape': {shape}, }}\n");
    let mut bytes = b"\x93NUMPY\x01\x00".to_vec();
    bytes.extend_from_slice(&(head.len() as u16).to_le_bytes());
    bytes.extend_from_slice(head.as_bytes());
    bytes.extend_from_slice(data);
    bytes
}

fn wav(data_bytes: u32) -> Vec<u8> {
    let mut b = b"RIFF\0\0\0\0WAVEfmt ".to_vec();
    for v in [16_u32, 0x0002_0001, 48_000, 192_000, 0x0010_0004] {
        b.extend_from_slice(&v.to_le_bytes());
    }
    b.extend_from_slice(b"data");
    b.extend_from_slice(&data_bytes.to_le_bytes());
    b.resize(b.len() + 400, 3);
    b
}

fn peak_mib() -> Option<u64> {
    let status = fs::read_to_string("/proc/self/status").ok()?;
    let line = status.lines().find(|l| l.starts_with("VmHWM:"))?;
    Some(line.split_whitespace().nth(1)?.parse::<u64>().ok()? / 1024)
}

#[test]
fn readers_answer_or_refuse_whatever_they_are_given() {
    let (done, finished) = mpsc::channel();
    let work = std::thread::spawn(move || {
        let folder = tempfile::tempdir().unwrap();
        let mut cases: Vec<(String, u64, Vec<u8>)> = Vec::new();
        for (number, (name, good)) in corpus().into_iter().enumerate() {
            for round in 0..ROUNDS {
                let seed = (number as u64 * 1000 + round + 1).wrapping_mul(0x9E37_79B9_7F4A_7C15);
                let bytes = changed(&good, &mut Random(seed));
                cases.push((name.clone(), seed, bytes));
            }
        }
        // Small files whose headers promise more than any memory holds.
        let huge = [
            ("h1.npy", npy("(9000000000000000000,)", "<f8", &[0; 64])),
            ("h2.npy", npy("(4000000000, 4096)", "<f8", &[0; 64])),
            ("h3.npy", npy("(18446744073709551615, 2)", "<i2", &[0; 64])),
            ("h4.npy", {
                let mut head = npy("(1,)", "<i2", &[]);
                head[6] = 2;
                head[8..12].copy_from_slice(&[0xff, 0xff, 0xff, 0xff]);
                head
            }),
            ("h5.wav", wav(u32::MAX - 1)),
            ("h6.s2p", b"# Hz S RI R 50\n1 0 0 0 0 0 0 0 0\n[Number of Ports] 4294967295\n".to_vec()),
            ("h7.ts", b"[Version] 2.0\n# Hz S RI R 50\n[Number of Ports] 4000000000\n[Number of Frequencies] 4000000000\n[Network Data]\n1 0 0\n".to_vec()),
            ("h8.csv", [b"Record Length,99999999999999\nt,v\n".to_vec(), b"0,1\n1,2\n2,3\n".to_vec()].concat()),
            ("h9.csv", vec![b','; 300_000]),
            ("h10.csv", vec![b'1'; 3 << 20]),
        ];
        cases.extend(huge.into_iter().map(|(n, b)| (n.to_owned(), 0, b)));
        let meta = fs::read(Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/captures/sample.sigmf-meta")).unwrap();
        let data = fs::read(Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/captures/sample.sigmf-data")).unwrap();
        for round in 0..PAIRS {
            let seed = (round + 1).wrapping_mul(0xD134_2543_DE82_EF95);
            let random = &mut Random(seed);
            let (m, d) = match round % 4 {
                0 => (meta.clone(), changed(&data, random)),
                1 => (changed(&meta, random), changed(&data, random)),
                _ => (changed(&meta, random), data.clone()),
            };
            let harmless = catch_unwind(AssertUnwindSafe(|| read_pair(folder.path(), &m, &d)));
            assert!(harmless.is_ok(), "a reader panics on the SigMF pair, seed {seed:#x}");
        }
        let count = cases.len() + PAIRS as usize;
        for (name, seed, bytes) in cases {
            let harmless = catch_unwind(AssertUnwindSafe(|| all_readers(folder.path(), &name, &bytes)));
            assert!(harmless.is_ok(), "a reader panics on {name}, seed {seed:#x}");
        }
        done.send(count).unwrap();
    });
    match finished.recv_timeout(HANG) {
        Ok(count) => println!("{count} hostile files read or refused"),
        Err(mpsc::RecvTimeoutError::Timeout) => panic!("a reader hangs"),
        Err(mpsc::RecvTimeoutError::Disconnected) => {}
    }
    if let Err(panic) = work.join() {
        std::panic::resume_unwind(panic);
    }
    match peak_mib() {
        Some(peak) => {
            println!("at most {peak} MiB resident");
            assert!(peak < MOST_MIB, "{peak} MiB");
        }
        None => println!("this system does not say how much memory was used: memory was not checked"),
    }
}
