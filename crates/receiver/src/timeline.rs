//! Time structure: the highest level in cells of time and frequency, kept in bounded memory whatever the record's length.
//!
//! Every spectrum goes into the cell of its time; when there are more cells of time than asked for, neighbours are joined
//! in pairs, the higher level counting, so no maximum is ever lost. Frequencies are joined in the same way.

use std::sync::{Mutex, PoisonError};

/// How many cells a timeline has at most.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct TimelineSize {
    /// Cells of time; there are never fewer than half as many once the record holds so many spectra.
    pub times: usize,
    /// Cells of frequency.
    pub frequencies: usize,
}

impl Default for TimelineSize {
    fn default() -> Self {
        Self { times: 1000, frequencies: 2000 }
    }
}

/// Peak level against time and frequency.
#[derive(Debug, Clone, PartialEq)]
pub struct Timeline {
    /// Time of the middle of the first spectrum, s after the record's first frame.
    pub first_s: f64,
    /// Length of a cell in time, s.
    pub step_s: f64,
    /// Lowest frequency of each cell of frequency, Hz.
    pub from_hz: Vec<f64>,
    /// Highest frequency of each cell of frequency, Hz.
    pub to_hz: Vec<f64>,
    /// Levels, dBµV: cell of time after cell of time, in each all frequencies. NaN where nothing was measured (a gap in a
    /// live stream). From the spectra as they stand, but that the highest of each frequency is raised to what the peak
    /// detector reads there: any other crest between two spectra is up to 0.7 dB higher.
    pub level_dbuv: Vec<f32>,
}

impl Timeline {
    /// Cells of time.
    pub fn times(&self) -> usize {
        self.level_dbuv.len().checked_div(self.from_hz.len()).unwrap_or(0)
    }

    /// Levels of one cell of time.
    pub fn row(&self, time: usize) -> &[f32] {
        &self.level_dbuv[time * self.from_hz.len()..(time + 1) * self.from_hz.len()]
    }
}

/// Keeps the cells while passes go on.
pub(crate) struct Keeper {
    times: usize,
    /// Frequencies joined into one cell.
    join: usize,
    cells: usize,
    state: Mutex<Cells>,
}

struct Cells {
    /// Spectra joined into one cell of time; a power of two.
    rows: u64,
    /// Cell after cell; negative where nothing was measured.
    level: Vec<f32>,
}

/// What one thread holds back until it has a whole cell.
#[derive(Debug, Default)]
pub(crate) struct Held {
    /// First and last spectrum number in it.
    span: Option<(u64, u64)>,
    highest: Vec<f32>,
}

impl Keeper {
    pub(crate) fn new(size: TimelineSize, bins: usize) -> Self {
        let join = bins.div_ceil(size.frequencies.max(1)).max(1);
        let cells = bins.div_ceil(join);
        Self { times: size.times.max(2), join, cells, state: Mutex::new(Cells { rows: 1, level: Vec::new() }) }
    }

    /// Spectrum number `j` of the record; numbers rise within one thread.
    pub(crate) fn row(&self, held: &mut Held, j: u64, magnitudes: &[f32]) {
        // Held back over at most so many spectra that joining them loses no resolution.
        if let Some((first, _)) = held.span
            && !self.same_cell(first, j)
        {
            self.flush(held);
        }
        match held.span {
            Some((first, _)) => {
                for (h, m) in held.highest.iter_mut().zip(magnitudes) {
                    *h = if *m > *h { *m } else { *h };
                }
                held.span = Some((first, j));
            }
            None => {
                held.highest.clear();
                held.highest.extend_from_slice(magnitudes);
                held.span = Some((j, j));
            }
        }
    }

    fn same_cell(&self, a: u64, b: u64) -> bool {
        let state = self.state.lock().unwrap_or_else(PoisonError::into_inner);
        a / state.rows == b / state.rows
    }

    /// Hands over what a thread holds.
    pub(crate) fn flush(&self, held: &mut Held) {
        let Some((first, _)) = held.span.take() else { return };
        let mut state = self.state.lock().unwrap_or_else(PoisonError::into_inner);
        while first / state.rows >= self.times as u64 {
            state.halve(self.cells);
        }
        let at = (first / state.rows) as usize * self.cells;
        if state.level.len() < at + self.cells {
            state.level.resize(at + self.cells, -1.0);
        }
        let cells = &mut state.level[at..at + self.cells];
        for (cell, part) in cells.iter_mut().zip(held.highest.chunks(self.join)) {
            for m in part {
                *cell = if *m > *cell { *m } else { *cell };
            }
        }
    }

    /// What was kept so far, raised to the peaks (frequency by frequency: the spectrum each stands at, and its height, V).
    pub(crate) fn timeline(
        &self,
        frequency_hz: &[f64],
        hop_s: f64,
        first_s: f64,
        peaks: &[(Option<u64>, f32)],
    ) -> Timeline {
        let state = self.state.lock().unwrap_or_else(PoisonError::into_inner);
        let mut level = state.level.clone();
        for (i, (at, peak)) in peaks.iter().enumerate() {
            let place = |at: u64| (at / state.rows) as usize * self.cells + i / self.join;
            if let Some(cell) = at.and_then(|at| level.get_mut(place(at))) {
                *cell = cell.max(*peak);
            }
        }
        let edge = |last: bool| {
            frequency_hz.chunks(self.join).map(move |c| if last { c[c.len() - 1] } else { c[0] }).collect::<Vec<_>>()
        };
        Timeline {
            first_s,
            step_s: hop_s * state.rows as f64,
            from_hz: edge(false),
            to_hz: edge(true),
            level_dbuv: level
                .iter()
                .map(|v| if *v < 0.0 { f32::NAN } else { 20.0 * v.max(1e-12).log10() + 120.0 })
                .collect(),
        }
    }
}

impl Cells {
    /// Joins neighbouring cells of time in pairs.
    fn halve(&mut self, cells: usize) {
        let have = self.level.len() / cells;
        for to in 0..have.div_ceil(2) {
            for k in 0..cells {
                let a = self.level[2 * to * cells + k];
                let b = if 2 * to + 1 < have { self.level[(2 * to + 1) * cells + k] } else { -1.0 };
                self.level[to * cells + k] = a.max(b);
            }
        }
        self.level.truncate(have.div_ceil(2) * cells);
        self.rows *= 2;
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Every level that goes in is found again in its cell, whatever the order and however often cells were joined.
    #[test]
    fn no_maximum_is_lost() {
        let keeper = Keeper::new(TimelineSize { times: 16, frequencies: 4 }, 10);
        let mut held = [Held::default(), Held::default()];
        let level = |j: u64, k: usize| ((j * 7919 + k as u64 * 104_729) % 1009) as f32;
        for j in 0..1000 {
            let row: Vec<f32> = (0..10).map(|k| level(j, k)).collect();
            keeper.row(&mut held[(j / 3 % 2) as usize], j, &row);
        }
        for h in &mut held {
            keeper.flush(h);
        }
        let frequency_hz: Vec<f64> = (0..10).map(f64::from).collect();
        let t = keeper.timeline(&frequency_hz, 1.0, 0.5, &[(Some(0), 0.0), (Some(70), 0.0)]);
        assert_eq!((t.step_s, t.times()), (64.0, 16));
        assert_eq!((t.from_hz.as_slice(), t.to_hz.as_slice()), (&[0.0, 3.0, 6.0, 9.0][..], &[2.0, 5.0, 8.0, 9.0][..]));
        for time in 0..16_u64 {
            for cell in 0..4 {
                let highest = (64 * time..(64 * time + 64).min(1000))
                    .flat_map(|j| (3 * cell..(3 * cell + 3).min(10)).map(move |k| level(j, k)))
                    .fold(0.0_f32, f32::max);
                let want = 20.0 * highest.max(1e-12).log10() + 120.0;
                assert!((t.row(time as usize)[cell] - want).abs() < 1e-4, "{time} {cell}");
            }
        }
    }
}
