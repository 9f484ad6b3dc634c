//! Where the numbers of sixteen spectra that follow each other stand.
// What reads them must melt into the function compiled for the instruction set.
#![allow(clippy::inline_always)]

use crate::short::Cell;
use crate::simd::LANES;

/// Spectra that follow each other, as many as a vector holds numbers: they are worked out together. The cells of the
/// frequencies one after another, padded to whole groups.
///
/// A transform's last pass gives points that lie far apart, at a distance that is a large power of two times something. A
/// gap behind each group keeps them from claiming the same few places of the cache.
#[derive(Debug, Clone)]
pub(crate) struct Sheaf {
    pub(crate) cells: Vec<Cell>,
    bins: usize,
}

/// Cells from group to group.
const PITCH: usize = LANES + 1;

impl Sheaf {
    /// Silence at so many frequencies.
    pub(crate) fn new(bins: usize) -> Self {
        Self { cells: vec![Cell::ZERO; bins.div_ceil(LANES) * PITCH], bins }
    }

    /// These cells, with their gaps.
    #[cfg(test)]
    pub(crate) fn of(cells: &[Cell]) -> Self {
        let mut sheaf = Self::new(cells.len());
        for (bin, cell) in cells.iter().enumerate() {
            *sheaf.get_mut(bin).unwrap() = *cell;
        }
        sheaf
    }

    /// Number of frequencies.
    #[inline(always)]
    pub(crate) fn bins(&self) -> usize {
        self.bins
    }

    #[inline(always)]
    fn place(bin: usize) -> usize {
        bin + bin / LANES
    }

    /// The spectra at one frequency.
    #[inline(always)]
    pub(crate) fn at(&self, bin: usize) -> &Cell {
        &self.cells[Self::place(bin)]
    }

    /// The same, to be changed, if there is such a frequency.
    #[inline(always)]
    pub(crate) fn get_mut(&mut self, bin: usize) -> Option<&mut Cell> {
        if bin < self.bins { self.cells.get_mut(Self::place(bin)) } else { None }
    }

    /// All groups of [`LANES`] frequencies.
    pub(crate) fn groups(&self) -> impl Iterator<Item = &[Cell]> {
        self.cells.chunks_exact(PITCH).map(|g| &g[..LANES])
    }

    /// One of them.
    #[inline(always)]
    pub(crate) fn group(&self, number: usize) -> &[Cell] {
        &self.cells[number * PITCH..][..LANES]
    }
}
