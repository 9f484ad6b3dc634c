//! A scan of the product with a hand-held probe: pictures, readings at places on them, and the map at one frequency.

use std::fs;
use std::path::Path;

use cause::band_bandwidth_hz;
use cause::scan::{MOST_TAPS, ScanChoices, ScanMap, Tap, map_scan};
use project::{Capture, HandProbe, HandReading, KeptReading, Project, Spot};
use quantity::Unit;
use serde::Serialize;

use crate::case_file::level_at;
use crate::evaluate::evaluate_run;
use crate::{OnStage, WorkError};

/// Where a person's pictures of the product lie in the project; those used in a scan are kept in `captures/` as well.
pub const PHOTOS: &str = "photos";

/// A picture of the product.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Photo {
    /// Id of the capture; empty while the file lies in `photos/` only.
    pub id: String,
    /// Name of the file.
    pub name: String,
    /// Width and height in pixels, where the file says them.
    pub size: Option<(u32, u32)>,
    /// Frequencies at which it was scanned, Hz, with how many readings each.
    pub scanned: Vec<(f64, usize)>,
}

/// A scan at one frequency on one picture.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Scan {
    /// The picture.
    pub photo: Photo,
    /// Frequency, Hz.
    pub frequency_hz: f64,
    /// The probe whose readings are mapped.
    pub probe: Option<HandProbe>,
    /// Their unit.
    pub unit: Option<Unit>,
    /// The readings that are mapped.
    pub readings: Vec<KeptReading>,
    /// Readings at this frequency and place that are not, with the reason.
    pub left_out: Vec<String>,
    /// Map and next place.
    pub map: ScanMap,
    /// Height of the picture over its width.
    pub height_over_width: f64,
}

const ENDINGS: [&str; 6] = ["png", "jpg", "jpeg", "webp", "gif", "svg"];

fn is_picture(name: &str) -> bool {
    let lower = name.to_lowercase();
    ENDINGS.iter().any(|e| lower.ends_with(&format!(".{e}")))
}

/// Width and height from the head of a PNG, JPEG, GIF or WebP file, or an SVG's `viewBox`.
pub fn picture_size(bytes: &[u8]) -> Option<(u32, u32)> {
    let big = |at: usize| Some(u32::from_be_bytes(bytes.get(at..at + 4)?.try_into().ok()?));
    let big2 = |at: usize| Some(u32::from(u16::from_be_bytes(bytes.get(at..at + 2)?.try_into().ok()?)));
    let little2 = |at: usize| Some(u32::from(u16::from_le_bytes(bytes.get(at..at + 2)?.try_into().ok()?)));
    let size = if bytes.starts_with(b"\x89PNG\r\n\x1a\n") {
        (big(16)?, big(20)?)
    } else if bytes.starts_with(b"GIF8") {
        (little2(6)?, little2(8)?)
    } else if bytes.starts_with(b"\xff\xd8") {
        let mut at = 2;
        loop {
            // Segments: FF, kind, length with itself; frames are C0 to CF but for tables (C4, C8, CC).
            if *bytes.get(at)? != 0xff {
                return None;
            }
            let kind = *bytes.get(at + 1)?;
            if kind == 0xff {
                at += 1;
                continue;
            }
            if (0xc0..=0xcf).contains(&kind) && ![0xc4, 0xc8, 0xcc].contains(&kind) {
                break (big2(at + 7)?, big2(at + 5)?);
            }
            at += 2 + big2(at + 2)? as usize;
        }
    } else if bytes.starts_with(b"RIFF") && bytes.get(8..12)? == b"WEBP" {
        match bytes.get(12..16)? {
            b"VP8X" => {
                let three = |at: usize| {
                    Some(u32::from_le_bytes([*bytes.get(at)?, *bytes.get(at + 1)?, *bytes.get(at + 2)?, 0]))
                };
                (three(24)? + 1, three(27)? + 1)
            }
            b"VP8 " => (little2(26)? & 0x3fff, little2(28)? & 0x3fff),
            _ => return None,
        }
    } else {
        let text = std::str::from_utf8(bytes.get(..bytes.len().min(4096))?).ok()?;
        let (_, rest) = text.split_once("viewBox=")?;
        let quoted = rest.get(1..)?.split(['"', '\'']).next()?;
        let numbers: Vec<f64> = quoted.split([' ', ',']).filter_map(|n| n.parse().ok()).collect();
        let &[_, _, w, h] = numbers.as_slice() else { return None };
        (w.round() as u32, h.round() as u32)
    };
    (size.0 > 0 && size.1 > 0).then_some(size)
}

fn counting(project: &Project) -> Result<Vec<KeptReading>, WorkError> {
    Ok(project.readings()?.into_iter().filter(|r| r.withdrawn.is_none()).collect())
}

fn photo_of(project: &Project, capture: &Capture, readings: &[KeptReading]) -> Result<Photo, WorkError> {
    let size = fs::read(project.capture_path(&capture.id)?).ok().and_then(|b| picture_size(&b));
    let mut scanned: Vec<(f64, usize)> = Vec::new();
    for r in readings.iter().filter(|r| r.reading.spot.as_ref().is_some_and(|s| s.photo == capture.id)) {
        let f = r.reading.frequency_hz;
        match scanned.iter_mut().find(|s| (s.0 - f).abs() <= 0.5 * band_bandwidth_hz(f)) {
            Some(s) => s.1 += 1,
            None => scanned.push((f, 1)),
        }
    }
    scanned.sort_by(|a, b| b.1.cmp(&a.1).then(a.0.total_cmp(&b.0)));
    Ok(Photo { id: capture.id.clone(), name: capture.file.original_name.clone(), size, scanned })
}

/// The pictures of the project: kept ones, and files in `photos/` that no scan uses yet.
pub fn photos(dir: &Path) -> Result<Vec<Photo>, WorkError> {
    let project = Project::open(dir)?;
    let readings = counting(&project)?;
    let mut found = Vec::new();
    for capture in project.captures()?.iter().filter(|c| is_picture(&c.file.original_name)) {
        found.push(photo_of(&project, capture, &readings)?);
    }
    if let Ok(files) = fs::read_dir(dir.join(PHOTOS)) {
        let mut names: Vec<String> =
            files.flatten().map(|f| f.file_name().to_string_lossy().into_owned()).filter(|n| is_picture(n)).collect();
        names.sort();
        let kept: Vec<String> = found.iter().map(|p| p.name.clone()).collect();
        for name in names.into_iter().filter(|n| !kept.contains(n)) {
            found.push(Photo { id: String::new(), name, size: None, scanned: Vec::new() });
        }
    }
    Ok(found)
}

/// Finds a picture by the id of its capture, its name, the name of a file in `photos/`, or a path; a file that is not yet in
/// the project is kept in it.
pub fn keep_photo(dir: &Path, photo: &str) -> Result<String, WorkError> {
    let mut project = Project::open(dir)?;
    let captures = project.captures()?;
    let pictures: Vec<&Capture> = captures.iter().filter(|c| is_picture(&c.file.original_name)).collect();
    let exact = pictures.iter().find(|c| c.id == photo);
    let named: Vec<&&Capture> = pictures
        .iter()
        .filter(|c| c.file.original_name == photo || (photo.len() >= 6 && c.id.starts_with(photo)))
        .collect();
    if let Some(c) = exact {
        return Ok(c.id.clone());
    }
    if let &[c] = named.as_slice() {
        return Ok(c.id.clone());
    }
    let beside = dir.join(PHOTOS).join(photo);
    let path = if beside.is_file() { beside } else { Path::new(photo).to_owned() };
    if !path.is_file() || !is_picture(photo) {
        let known: Vec<&str> = pictures.iter().map(|c| c.file.original_name.as_str()).collect();
        let known = if known.is_empty() { String::new() } else { format!(" or one of {}", known.join(", ")) };
        let expected = format!("a picture ({}) in `{PHOTOS}/`, by its path{known}", ENDINGS.join(", "));
        return Err(WorkError::input("photo", format!("`{photo}`"), expected));
    }
    Ok(project.import_capture(&path, &mut |_, _| std::ops::ControlFlow::Continue(()))?.id)
}

/// Keeps a picture handed in as bytes.
pub fn keep_photo_bytes(dir: &Path, name: &str, bytes: &[u8]) -> Result<String, WorkError> {
    if !is_picture(name) {
        return Err(WorkError::input("photo", format!("`{name}`"), format!("a file ending in {}", ENDINGS.join(", "))));
    }
    Ok(Project::open(dir)?.import_bytes(name, bytes)?.id)
}

/// Content and name of a kept picture.
pub fn photo_bytes(dir: &Path, id: &str) -> Result<(String, Vec<u8>), WorkError> {
    let project = Project::open(dir)?;
    let capture = project.capture(id)?;
    let name = capture.file.original_name.clone();
    if !is_picture(&name) {
        return Err(WorkError::input("photo", format!("`{name}` is no picture"), ENDINGS.join(", ")));
    }
    let path = project.capture_path(id)?;
    let bytes =
        fs::read(&path).map_err(|e| WorkError::input(path.display().to_string(), e.to_string(), "the picture"))?;
    Ok((name, bytes))
}

/// A reading to be entered.
#[derive(Debug, Clone, PartialEq)]
pub struct NewReading {
    /// Where on which picture (its capture's id); none for a clamp on a cable.
    pub spot: Option<Spot>,
    /// Frequency, Hz.
    pub frequency_hz: f64,
    /// Level; none takes it from the run.
    pub level_db: Option<f64>,
    /// Unit; none takes the run's, or dBµV.
    pub unit: Option<Unit>,
    /// What it was taken with.
    pub probe: HandProbe,
    /// The cable of a clamp.
    pub cable: Option<String>,
    /// Distance of the probe's mark from the surface, m.
    pub distance_m: Option<f64>,
    /// Turn of the probe against the picture's horizontal, degrees.
    pub orientation_deg: Option<f64>,
    /// The run the level is taken from, or whose emission is looked for.
    pub run: Option<String>,
    /// Remark.
    pub remark: String,
}

/// Enters a reading; the level comes from a run's trace where none is given. Gives the entry of the ledger.
pub fn enter_reading(dir: &Path, new: NewReading, on_stage: &mut OnStage<'_>) -> Result<u64, WorkError> {
    let mut project = Project::open(dir)?;
    if let Some(cable) = &new.cable {
        let product = project.product()?.product;
        if product.port(cable).is_none() {
            let known: Vec<&str> = product.ports.iter().map(|p| p.id.as_str()).collect();
            return Err(WorkError::input(
                "cable",
                format!("`{cable}` is no port of product.toml"),
                format!("one of {}", known.join(", ")),
            ));
        }
    }
    if new.probe == HandProbe::Clamp && new.cable.is_none() && new.spot.is_none() {
        return Err(WorkError::input("cable", "a clamp without a cable", "the port whose cable it is round"));
    }
    let (level_db, unit) = match (new.level_db, &new.run) {
        (Some(level), _) => {
            let usual = if new.probe == HandProbe::Clamp { Unit::DbUa } else { Unit::DbUv };
            (level, new.unit.unwrap_or(usual))
        }
        (None, Some(id)) => {
            let run = project.run(id)?;
            let trace = evaluate_run(&project, run, on_stage)?.judged.trace;
            let level = level_at(&trace, None, new.frequency_hz).ok_or_else(|| {
                WorkError::input(
                    "frequency",
                    format!("run {id} has no level at {} Hz", new.frequency_hz),
                    "one inside its range",
                )
            })?;
            (level, trace.unit.or(new.unit).unwrap_or(Unit::DbUv))
        }
        (None, None) => return Err(WorkError::input("level", "none given", "a level, or a run whose trace has it")),
    };
    Ok(project.add_reading(HandReading {
        frequency_hz: new.frequency_hz,
        level_db,
        unit,
        probe: new.probe,
        spot: new.spot,
        cable: new.cable,
        distance_m: new.distance_m,
        orientation_deg: new.orientation_deg,
        run: new.run,
        remark: new.remark,
    })?)
}

/// Takes a reading back.
pub fn withdraw_reading(dir: &Path, entry: u64, reason: &str) -> Result<(), WorkError> {
    Ok(Project::open(dir)?.withdraw_reading(entry, reason)?)
}

/// The scan of a picture at a frequency: readings within half a bandwidth of it, taken with one probe in one unit (that of
/// most readings, where none is asked for). No readings give no map but a first place.
pub fn scan_of(
    dir: &Path,
    photo: &str,
    frequency_hz: f64,
    probe: Option<HandProbe>,
    columns: usize,
) -> Result<Scan, WorkError> {
    if !(frequency_hz.is_finite() && frequency_hz > 0.0) {
        return Err(WorkError::input("frequency", format!("found {frequency_hz}"), "a number above 0, in Hz"));
    }
    let project = Project::open(dir)?;
    let capture = project.capture(photo)?;
    let all = counting(&project)?;
    let photo = photo_of(&project, &capture, &all)?;
    let reach = 0.5 * band_bandwidth_hz(frequency_hz);
    let here: Vec<KeptReading> = all
        .into_iter()
        .filter(|r| r.reading.spot.as_ref().is_some_and(|s| s.photo == photo.id))
        .filter(|r| (r.reading.frequency_hz - frequency_hz).abs() <= reach)
        .collect();
    let of = |r: &KeptReading| (r.reading.probe, r.reading.unit);
    let mut kinds: Vec<((HandProbe, Unit), usize)> = Vec::new();
    for r in &here {
        match kinds.iter_mut().find(|k| k.0 == of(r)) {
            Some(k) => k.1 += 1,
            None => kinds.push((of(r), 1)),
        }
    }
    let chosen = kinds.iter().filter(|k| probe.is_none_or(|p| p == k.0.0)).max_by_key(|k| k.1).map(|k| k.0);
    let mut left_out: Vec<String> = kinds
        .iter()
        .filter(|k| Some(k.0) != chosen)
        .map(|((p, u), n)| {
            format!("{n} with the {} in {}: another probe or unit makes another map", p.name(), u.symbol())
        })
        .collect();
    let mut readings: Vec<KeptReading> = here.into_iter().filter(|r| Some(of(r)) == chosen).collect();
    if readings.len() > MOST_TAPS {
        left_out.push(format!("the oldest {}: a map takes at most {MOST_TAPS} readings", readings.len() - MOST_TAPS));
        readings.drain(..readings.len() - MOST_TAPS);
    }
    let distances: Vec<f64> = readings.iter().filter_map(|r| r.reading.distance_m).collect();
    let spread = distances.iter().fold((f64::INFINITY, 0.0f64), |b, d| (b.0.min(*d), b.1.max(*d)));
    if !distances.is_empty() && spread.1 > 1.5 * spread.0 + 1e-3 {
        left_out.push(format!(
            "none, but the probe's distance was {:.0} to {:.0} mm: near a small loop the level falls by 18 dB for twice the distance, so hold it alike",
            1e3 * spread.0, 1e3 * spread.1
        ));
    }
    let height_over_width = photo.size.map_or(0.75, |(w, h)| f64::from(h) / f64::from(w)).clamp(0.05, 20.0);
    let taps: Vec<Tap> = readings
        .iter()
        .filter_map(|r| r.reading.spot.as_ref().map(|s| Tap { x: s.x, y: s.y, level_db: r.reading.level_db }))
        .collect();
    let choices = ScanChoices { height_over_width, columns, ..ScanChoices::default() };
    let map =
        map_scan(&taps, &choices).map_err(|e| WorkError::input("scan", e.to_string(), "readings on the picture"))?;
    Ok(Scan {
        photo,
        frequency_hz,
        probe: chosen.map(|c| c.0).or(probe),
        unit: chosen.map(|c| c.1),
        readings,
        left_out,
        map,
        height_over_width,
    })
}

/// What stands beside every scan.
pub const SCAN_CAUTION: &str = "A product with its lid open carries mains and stored charge: probe with an insulated probe \
on an isolating supply, keep one hand away, discharge and measure before touching, never alone; only who is licensed for live \
work under the local code does this.";

#[cfg(test)]
mod tests {
    use super::*;

    fn quiet(_: &crate::Stage) -> std::ops::ControlFlow<()> {
        std::ops::ControlFlow::Continue(())
    }

    /// A PNG's signature and first chunk, as the PNG specification (W3C, section 11.2.2) lays it out.
    fn png(width: u32, height: u32) -> Vec<u8> {
        let mut bytes = b"\x89PNG\r\n\x1a\n\0\0\0\rIHDR".to_vec();
        bytes.extend(width.to_be_bytes());
        bytes.extend(height.to_be_bytes());
        bytes.extend([8, 6, 0, 0, 0]);
        bytes
    }

    #[test]
    fn sizes_of_pictures() {
        assert_eq!(picture_size(&png(640, 480)), Some((640, 480)));
        // JFIF: an APP0 segment of 16 bytes, then a baseline frame (ITU-T T.81, B.2.2).
        let jpeg = b"\xff\xd8\xff\xe0\x00\x10JFIF\0\x01\x01\0\0\x01\0\x01\0\0\xff\xc0\x00\x11\x08\x01\xe0\x02\x80\x03";
        assert_eq!(picture_size(jpeg), Some((640, 480)));
        assert_eq!(picture_size(b"GIF89a\x80\x02\xe0\x01"), Some((640, 480)));
        assert_eq!(picture_size(b"<svg xmlns='http://www.w3.org/2000/svg' viewBox='0 0 64 48'>"), Some((64, 48)));
        assert_eq!(picture_size(b"\xff\xd8\xff"), None);
        assert_eq!(picture_size(b""), None);
    }

    #[test]
    fn a_scan_grows_by_readings_and_forgets_what_is_taken_back() {
        let dir = tempfile::tempdir().expect("a folder");
        let dir = dir.path().join("p");
        Project::create(&dir).expect("a project");
        fs::create_dir_all(dir.join(PHOTOS)).expect("a folder");
        fs::write(dir.join(PHOTOS).join("board.png"), png(400, 200)).expect("written");
        assert_eq!(photos(&dir).expect("read")[0].name, "board.png");
        let photo = keep_photo(&dir, "board.png").expect("kept");
        assert_eq!(keep_photo(&dir, "board.png").expect("known"), photo);
        let reading = |x: f64, level_db: f64, probe| NewReading {
            spot: Some(Spot { photo: photo.clone(), x, y: 0.5 }),
            frequency_hz: 18.45e6,
            level_db: Some(level_db),
            unit: None,
            probe,
            cable: None,
            distance_m: Some(0.005),
            orientation_deg: None,
            run: None,
            remark: String::new(),
        };
        for (x, level) in [(0.1, 40.0), (0.5, 46.0), (0.9, 62.0)] {
            enter_reading(&dir, reading(x, level, HandProbe::Magnetic), &mut quiet).expect("entered");
        }
        let electric = enter_reading(&dir, reading(0.2, 90.0, HandProbe::Electric), &mut quiet).expect("entered");
        let scan = scan_of(&dir, &photo, 18.45e6, None, 30).expect("mapped");
        assert_eq!((scan.readings.len(), scan.left_out.len()), (3, 1));
        assert!((scan.height_over_width - 0.5).abs() < 1e-9 && scan.map.rows == 15);
        assert!(scan.map.highest.x > 0.7, "{:?}", scan.map.highest);
        withdraw_reading(&dir, electric, "the probe touched the heat sink").expect("taken back");
        assert!(scan_of(&dir, &photo, 18.45e6, None, 30).expect("mapped").left_out.is_empty());
        assert!(scan_of(&dir, &photo, 40e6, None, 30).expect("mapped").readings.is_empty());
        assert!(keep_photo(&dir, "nothing.png").is_err());
        assert!(
            enter_reading(&dir, NewReading { level_db: None, ..reading(0.1, 0.0, HandProbe::Other) }, &mut quiet)
                .is_err()
        );
    }
}
