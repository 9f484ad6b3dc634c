//! Entries read out of a damaged ledger, past SQLite.
//!
//! The file format is public and stable (<https://www.sqlite.org/fileformat2.html>, sections 1.3 to 1.6 and 2.1): rows of a
//! table stand as cells in leaf pages, each with its own length, number and columns. Every place of every page is tried as
//! the beginning of a cell and taken where the columns are those of the ledger, so that neither a damaged page type nor a
//! damaged pointer nor a damaged tree costs more than the row it stands in. The hash chain then says which of them are as
//! they were written.

use std::collections::BTreeMap;

use crate::ledger::entry_hash;

/// Page size of a ledger where its header does not say (SQLite's own default, which the ledger does not change).
const USUAL_PAGE_BYTES: usize = 4096;
/// Longest payload of a cell that is followed: a kept chain with its tables can have tens of megabytes.
const MOST_PAYLOAD_BYTES: u64 = 1 << 30;

/// A row of the ledger as it was found.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(crate) struct FoundRow {
    pub(crate) id: u64,
    pub(crate) at: String,
    pub(crate) who: String,
    pub(crate) kind: String,
    pub(crate) version: i64,
    pub(crate) payload: String,
    pub(crate) hash: String,
}

impl FoundRow {
    /// The hash follows from what the row says and the hash before it.
    pub(crate) fn follows(&self, before: &str) -> bool {
        entry_hash(before, self.id, &self.at, &self.who, &self.kind, self.version, &self.payload) == self.hash
    }
}

/// All rows that can be read, by number; where copies of a row differ, the one that the chain proves.
pub(crate) fn rows(file: &[u8]) -> BTreeMap<u64, FoundRow> {
    let pages = Pages::of(file);
    let mut found: BTreeMap<u64, Vec<FoundRow>> = BTreeMap::new();
    for page in 0..file.len().div_ceil(pages.size) {
        let start = page * pages.size;
        let end = (start + pages.usable()).min(file.len());
        let mut at = start;
        while at < end {
            if let Some((row, length)) = pages.cell(at, end) {
                let copies = found.entry(row.id).or_default();
                if !copies.contains(&row) {
                    copies.push(row);
                }
                at += length;
            } else {
                at += 1;
            }
        }
    }
    choose(found)
}

/// Of all rows found, the one for each number. A row whose number itself was damaged is put where the chain proves it to
/// belong.
fn choose(mut found: BTreeMap<u64, Vec<FoundRow>>) -> BTreeMap<u64, FoundRow> {
    let Some(last) = found.keys().next_back().copied() else { return BTreeMap::new() };
    // A number far beyond the others is damaged; nobody has lost a million entries by a few bits.
    let last = last.min(2 * found.len() as u64 + 1000);
    let mut chosen = BTreeMap::new();
    let mut before = String::new();
    for id in 1..=last {
        let mut copies = found.remove(&id).unwrap_or_default();
        let row = match copies.iter().position(|row| row.follows(&before)) {
            Some(proven) => Some(copies.swap_remove(proven)),
            None => strayed(&mut found, id, &before).or_else(|| copies.pop()),
        };
        // What is not the row of this number may be that of another.
        for copy in copies {
            found.entry(u64::MAX).or_default().push(copy);
        }
        match row {
            Some(row) => {
                before.clone_from(&row.hash);
                chosen.insert(id, row);
            }
            None => before.clear(),
        }
    }
    chosen
}

/// Takes the row that, given this number, follows from the one before.
fn strayed(found: &mut BTreeMap<u64, Vec<FoundRow>>, id: u64, before: &str) -> Option<FoundRow> {
    let (number, place, row) = found.iter().find_map(|(number, rows)| {
        rows.iter().enumerate().find_map(|(k, row)| {
            let renumbered = FoundRow { id, ..row.clone() };
            renumbered.follows(before).then_some((*number, k, renumbered))
        })
    })?;
    let rows = found.get_mut(&number)?;
    rows.swap_remove(place);
    if rows.is_empty() {
        found.remove(&number);
    }
    Some(row)
}

struct Pages<'f> {
    file: &'f [u8],
    size: usize,
    reserved: usize,
}

impl<'f> Pages<'f> {
    fn of(file: &'f [u8]) -> Self {
        let said = file.get(16..18).map_or(0, |b| usize::from(u16::from_be_bytes([b[0], b[1]])));
        let said = if said == 1 { 65536 } else { said };
        let sound = file.starts_with(b"SQLite format 3\0") && said.is_power_of_two() && said >= 512;
        let reserved = file.get(20).copied().map_or(0, usize::from);
        // Space at the end of pages is only used by extensions that the ledger does not have.
        Self {
            file,
            size: if sound { said } else { USUAL_PAGE_BYTES },
            reserved: if sound && reserved < 64 { reserved } else { 0 },
        }
    }

    fn usable(&self) -> usize {
        self.size - self.reserved
    }

    /// The ledger's row whose cell begins at `at`, and the bytes of the cell in its page.
    fn cell(&self, at: usize, end: usize) -> Option<(FoundRow, usize)> {
        let bytes = self.file.get(at..end)?;
        let (length, a) = varint(bytes)?;
        // The shortest row: seven columns, a time of twenty characters, a hash of sixty-four.
        if !(90..MOST_PAYLOAD_BYTES).contains(&length) {
            return None;
        }
        let (id, b) = varint(bytes.get(a..)?)?;
        if id == 0 || id > u64::from(u32::MAX) {
            return None;
        }
        let body = a + b;
        let length = usize::try_from(length).ok()?;
        let local = self.local(length);
        let first = bytes.get(body..body + local)?;
        // Cheap look before anything is followed: a header of eight bytes or more that begins with an empty id and text.
        let (head, h) = varint(first)?;
        if !(8..=64).contains(&head) || first.get(h) != Some(&0) {
            return None;
        }
        let mut payload = first.to_vec();
        let mut taken = body + local;
        if local < length {
            let next = bytes.get(taken..taken + 4)?;
            taken += 4;
            self.overflow(u32::from_be_bytes(next.try_into().ok()?), length, &mut payload)?;
        }
        Some((row(id, &payload)?, taken))
    }

    /// How much of a payload stands in the cell itself (file format, section 1.6).
    fn local(&self, length: usize) -> usize {
        let usable = self.usable();
        if length <= usable - 35 {
            return length;
        }
        let least = (usable - 12) * 32 / 255 - 23;
        let fitting = least + (length - least) % (usable - 4);
        if fitting <= usable - 35 { fitting } else { least }
    }

    fn overflow(&self, mut page: u32, length: usize, payload: &mut Vec<u8>) -> Option<()> {
        while payload.len() < length {
            let start = (usize::try_from(page).ok()?.checked_sub(1)?).checked_mul(self.size)?;
            let bytes = self.file.get(start..start + self.usable())?;
            page = u32::from_be_bytes(bytes[..4].try_into().ok()?);
            let more = (length - payload.len()).min(bytes.len() - 4);
            payload.extend_from_slice(&bytes[4..4 + more]);
        }
        Some(())
    }
}

/// The columns of a ledger's row, or nothing where it is none.
fn row(id: u64, payload: &[u8]) -> Option<FoundRow> {
    let (head, mut at) = varint(payload)?;
    let head = usize::try_from(head).ok()?;
    let mut types = Vec::with_capacity(7);
    while at < head {
        let (kind, n) = varint(payload.get(at..)?)?;
        types.push(kind);
        at += n;
    }
    if at != head || types.len() != 7 || types[0] != 0 {
        return None;
    }
    let mut body = payload.get(head..)?;
    let mut take = |n: usize| {
        let (now, rest) = body.split_at_checked(n)?;
        body = rest;
        Some(now)
    };
    let text = |kind: u64| (kind >= 13 && kind % 2 == 1).then(|| usize::try_from((kind - 13) / 2).ok()).flatten();
    // A flipped bit can make text that is no text: what can be read of it is kept.
    let string = |bytes: &[u8]| String::from_utf8_lossy(bytes).into_owned();
    let at = string(take(text(types[1])?)?);
    let who = string(take(text(types[2])?)?);
    let kind = string(take(text(types[3])?)?);
    let version = match types[4] {
        8 => 0,
        9 => 1,
        n @ 1..=4 => take(usize::try_from(n).ok()?)?.iter().fold(0, |sum, b| sum << 8 | i64::from(*b)),
        _ => return None,
    };
    let text_of_payload = string(take(text(types[5])?)?);
    let hash = string(take(text(types[6])?)?);
    (body.is_empty() && hash.chars().count() == 64 && (16..48).contains(&at.len())).then_some(FoundRow {
        id,
        at,
        who,
        kind,
        version,
        payload: text_of_payload,
        hash,
    })
}

/// A number of one to nine bytes, and how many (file format, section 1.6).
fn varint(bytes: &[u8]) -> Option<(u64, usize)> {
    let mut value = 0_u64;
    for (i, byte) in bytes.iter().take(9).enumerate() {
        if i == 8 {
            return Some((value << 8 | u64::from(*byte), 9));
        }
        value = value << 7 | u64::from(byte & 0x7f);
        if byte & 0x80 == 0 {
            return Some((value, i + 1));
        }
    }
    None
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn numbers_are_read_as_the_format_says() {
        assert_eq!(varint(&[0x05]), Some((5, 1)));
        assert_eq!(varint(&[0x81, 0x00]), Some((128, 2)));
        assert_eq!(varint(&[0xff; 9]), Some((u64::MAX, 9)));
        assert_eq!(varint(&[0x81]), None);
    }
}
