//! Where the table is, what separates its cells, and which decimal sign its numbers have.

use super::text::{Cell, Number, cell, split};
use super::{DecimalSign, Delimiter};

/// So many lines are looked at to find the table.
pub(super) const HEAD_LINES: usize = 20_000;

/// What a column holds as far as the first lines show.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Kind {
    Nothing,
    Number,
    Text,
}

/// One way to cut the lines into a table.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Layout {
    pub(super) delimiter: Delimiter,
    pub(super) any_blank: bool,
    pub(super) decimal: DecimalSign,
    /// Index of the first row.
    pub(super) start: usize,
    /// Rows of the longest run in the head.
    pub(super) rows: usize,
    pub(super) kinds: Vec<Kind>,
    /// Some number has the decimal sign.
    pub(super) fraction: bool,
    /// Some number has thousands grouped by the other sign.
    pub(super) grouped: bool,
    /// Pairs of cells are one number each, whole part and fraction (comma as delimiter and as decimal sign).
    pub(super) joined: bool,
}

impl Layout {
    /// True where plain blanks may group thousands: they separate nothing.
    pub(super) fn blank_groups(&self) -> bool {
        matches!(self.delimiter, Delimiter::Tab | Delimiter::Semicolon)
    }

    /// The cell as this layout reads it.
    pub(super) fn read(&self, text: &str) -> Cell {
        cell(text, self.decimal, self.blank_groups())
    }

    /// Cells of a line.
    pub(super) fn cells<'a>(&self, line: &'a str, into: &mut Vec<&'a str>) {
        split(line, self.delimiter, self.any_blank, into);
        // One trailing separator is a habit, not a column.
        while into.len() > self.kinds.len() && into.last() == Some(&"") {
            into.pop();
        }
        if self.joined && into.len() == 2 * self.kinds.len() {
            let base = line.as_ptr() as usize;
            let joined: Vec<&'a str> = into
                .chunks(2)
                .map(|pair| {
                    let from = pair[0].as_ptr() as usize - base;
                    let to = pair[1].as_ptr() as usize - base + pair[1].len();
                    &line[from..to]
                })
                .collect();
            *into = joined;
        }
    }
}

struct Run {
    start: usize,
    rows: usize,
    raw: usize,
    kinds: Vec<Kind>,
    fraction: bool,
    grouped: bool,
    long: bool,
}

impl Run {
    fn qualifies(&self) -> bool {
        self.kinds.iter().filter(|k| **k == Kind::Number).count() >= 2
    }
}

/// The longest run of rows that fit together, cut with this delimiter and this decimal sign.
pub(super) fn find(
    lines: &[&str],
    from: usize,
    delimiter: Delimiter,
    any_blank: bool,
    decimal: DecimalSign,
) -> Option<Layout> {
    let blank_groups = matches!(delimiter, Delimiter::Tab | Delimiter::Semicolon);
    let mut best: Option<Run> = None;
    let mut run: Option<Run> = None;
    let mut cells = Vec::new();
    let mut close = |run: &mut Option<Run>| {
        if let Some(done) = run.take().filter(Run::qualifies)
            && best.as_ref().is_none_or(|b| done.rows >= b.rows)
        {
            best = Some(done);
        }
    };
    for (i, line) in lines.iter().enumerate().skip(from).take(HEAD_LINES) {
        if line.trim().is_empty() {
            continue;
        }
        if delimiter == Delimiter::Space && !any_blank && line.contains(['\t', ';']) {
            close(&mut run);
            continue;
        }
        split(line, delimiter, any_blank, &mut cells);
        let read: Vec<Cell> = cells.iter().map(|c| cell(c, decimal, blank_groups)).collect();
        // `0,15;52,3` is no word between two numbers: the semicolon is the delimiter.
        if delimiter == Delimiter::Comma
            && cells.iter().zip(&read).any(|(c, r)| {
                *r == Cell::Text
                    && c.contains([';', '\t'])
                    && c.starts_with(|x: char| x.is_ascii_digit() || matches!(x, '+' | '-'))
            })
        {
            close(&mut run);
            continue;
        }
        let numbers: Vec<&Number> =
            read.iter().filter_map(|c| if let Cell::Number(n) = c { Some(n) } else { None }).collect();
        if numbers.is_empty() || read.len() < 2 {
            close(&mut run);
            continue;
        }
        let kinds: Vec<Kind> = read
            .iter()
            .map(|c| match c {
                Cell::Nothing => Kind::Nothing,
                Cell::Number(_) => Kind::Number,
                Cell::Text => Kind::Text,
            })
            .collect();
        let fits = run.as_ref().is_some_and(|r| {
            let (a, b) = (r.raw, kinds.len());
            let same = a == b
                || (b == a + 1 && kinds[b - 1] == Kind::Nothing)
                || (a == b + 1 && r.kinds[a - 1] == Kind::Nothing);
            same && r.kinds.iter().zip(&kinds).all(|(x, y)| x == y || *x == Kind::Nothing || *y == Kind::Nothing)
        });
        if !fits {
            close(&mut run);
        }
        let r = run.get_or_insert_with(|| Run {
            start: i,
            rows: 0,
            raw: kinds.len(),
            kinds: kinds.clone(),
            fraction: false,
            grouped: false,
            long: false,
        });
        r.rows += 1;
        for (mine, theirs) in r.kinds.iter_mut().zip(&kinds) {
            if *mine == Kind::Nothing {
                *mine = *theirs;
            }
        }
        for n in numbers {
            r.fraction |= n.fraction;
            r.grouped |= n.grouped_by_other;
            r.long |= n.long_ungrouped;
        }
    }
    close(&mut run);
    // Who groups thousands does it everywhere: a long number without groups says that the sign was no group.
    let mut run = best.filter(|r| !(r.grouped && r.long))?;
    while run.kinds.last() == Some(&Kind::Nothing) {
        run.kinds.pop();
    }
    let mut layout = Layout {
        delimiter,
        any_blank,
        decimal,
        start: run.start,
        rows: run.rows,
        kinds: run.kinds,
        fraction: run.fraction,
        grouped: run.grouped,
        joined: false,
    };
    // Rows of the same shape before a break belong to the table: the break is then named as the fault it is.
    for (i, line) in lines.iter().enumerate().take(layout.start).skip(from) {
        layout.cells(line, &mut cells);
        let alike = cells.len() == layout.kinds.len()
            && cells.iter().zip(&layout.kinds).all(|(c, k)| match layout.read(c) {
                Cell::Number(_) => *k == Kind::Number,
                Cell::Nothing => *k != Kind::Text,
                Cell::Text => *k == Kind::Text,
            })
            && cells.iter().filter(|c| matches!(layout.read(c), Cell::Number(_))).count() >= 2;
        if alike {
            layout.start = i;
            break;
        }
    }
    Some(layout)
}
