//! From bins to emissions: where one ends and the next begins.

/// A run of neighbouring frequencies that belongs to one emission, as indices `from..=to`.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) struct Segment {
    pub(crate) from: usize,
    pub(crate) to: usize,
}

/// Divides a level curve at its valleys. Two neighbouring maxima are two emissions when the level between them falls at
/// least `valley_db` below the lower of them and they are at least `bandwidth(frequency)` apart: nearer than that a
/// receiver of this bandwidth cannot tell them apart. Every bin with a level belongs to exactly one segment; bins
/// without (NaN) belong to none and divide.
pub(crate) fn segments(
    frequency_hz: &[f64],
    level_db: &[f64],
    valley_db: f64,
    bandwidth_hz: impl Fn(f64) -> f64,
) -> Vec<Segment> {
    let mut out = Vec::new();
    let mut i = 0;
    while i < level_db.len() {
        if level_db[i].is_nan() {
            i += 1;
            continue;
        }
        let start = i;
        while i < level_db.len() && !level_db[i].is_nan() {
            i += 1;
        }
        divide(frequency_hz, level_db, start, i, valley_db, &bandwidth_hz, &mut out);
    }
    out
}

fn divide(
    frequency_hz: &[f64],
    level_db: &[f64],
    start: usize,
    end: usize,
    valley_db: f64,
    bandwidth_hz: &impl Fn(f64) -> f64,
    out: &mut Vec<Segment>,
) {
    let (mut segment_start, mut top, mut bottom) = (start, start, start);
    // Falling: a maximum stands and its valley has been reached; the lowest point so far is where a next one begins.
    let mut falling = false;
    for k in start..end {
        let level = level_db[k];
        if !falling {
            if level > level_db[top] {
                top = k;
            }
            if level <= level_db[top] - valley_db {
                falling = true;
                bottom = k;
            }
        } else if level < level_db[bottom] {
            bottom = k;
        } else if level >= level_db[bottom] + valley_db {
            let apart = frequency_hz[k] - frequency_hz[top] >= bandwidth_hz(frequency_hz[top]);
            if apart {
                out.push(Segment { from: segment_start, to: bottom });
                segment_start = bottom + 1;
                top = k;
                falling = false;
            } else if level > level_db[top] {
                top = k;
                falling = false;
            }
        }
    }
    if segment_start < end {
        out.push(Segment { from: segment_start, to: end - 1 });
    }
}
