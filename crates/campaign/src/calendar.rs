//! The days as iCalendar (RFC 5545) and as a table.

use std::fmt::Write as _;

use crate::days::{Days, EntryKind};

/// The first day of the visit.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Date {
    /// Year.
    pub year: i32,
    /// Month, 1 to 12.
    pub month: u32,
    /// Day of the month, from 1.
    pub day: u32,
}

impl Date {
    /// Reads `2026-12-07`.
    pub fn read(text: &str) -> Option<Self> {
        let mut parts = text.split('-').map(str::parse::<i64>);
        let (Some(Ok(y)), Some(Ok(m)), Some(Ok(d)), None) = (parts.next(), parts.next(), parts.next(), parts.next())
        else {
            return None;
        };
        let date = Self { year: i32::try_from(y).ok()?, month: u32::try_from(m).ok()?, day: u32::try_from(d).ok()? };
        let real = (1..=12).contains(&date.month) && date.day >= 1 && date.day <= days_in(date.year, date.month);
        (real && (1900..3000).contains(&date.year)).then_some(date)
    }

    /// So many working days (Monday to Friday) later; a start on a weekend moves to Monday first.
    #[must_use]
    pub fn working_day(self, later: u32) -> Self {
        let mut number = self.number();
        let weekend = |n: i64| (n + 3).rem_euclid(7) >= 5;
        while weekend(number) {
            number += 1;
        }
        for _ in 0..later {
            number += 1;
            while weekend(number) {
                number += 1;
            }
        }
        Self::from_number(number)
    }

    /// Days since 1 January 1970 (a Thursday), by the civil-calendar count over 400-year eras.
    fn number(self) -> i64 {
        let y = i64::from(self.year) - i64::from(self.month <= 2);
        let era = y.div_euclid(400);
        let yoe = y.rem_euclid(400);
        let m = i64::from(self.month);
        let doy = (153 * (m + if m > 2 { -3 } else { 9 }) + 2) / 5 + i64::from(self.day) - 1;
        era * 146_097 + yoe * 365 + yoe / 4 - yoe / 100 + doy - 719_468
    }

    fn from_number(number: i64) -> Self {
        let mut date = Self { year: 1970 + (number / 366) as i32, month: 1, day: 1 };
        while (Self { year: date.year + 1, ..date }).number() <= number {
            date.year += 1;
        }
        while date.month < 12 && (Self { month: date.month + 1, ..date }).number() <= number {
            date.month += 1;
        }
        date.day = (number - date.number()) as u32 + 1;
        date
    }
}

fn days_in(year: i32, month: u32) -> u32 {
    match month {
        2 if (year % 4 == 0 && year % 100 != 0) || year % 400 == 0 => 29,
        2 => 28,
        4 | 6 | 9 | 11 => 30,
        _ => 31,
    }
}

fn escaped(text: &str) -> String {
    text.replace('\\', "\\\\").replace(';', "\\;").replace(',', "\\,").replace('\n', "\\n")
}

/// Lines of at most 75 octets, continued with a space (RFC 5545, 3.1).
fn line(out: &mut String, text: &str) {
    let mut room = 75;
    for c in text.chars() {
        if c.len_utf8() > room {
            out.push_str("\r\n ");
            room = 74;
        }
        out.push(c);
        room -= c.len_utf8();
    }
    out.push_str("\r\n");
}

/// The days as iCalendar in local time, one event for every set-up and test, and for
/// what is prepared meanwhile; weekends are skipped. `stamp` is the UTC time
/// of writing as `20261125T140000Z`.
pub fn icalendar(days: &Days, first: Date, stamp: &str) -> String {
    let mut out = String::new();
    line(&mut out, "BEGIN:VCALENDAR");
    line(&mut out, "VERSION:2.0");
    line(&mut out, "PRODID:-//Hushfield//laboratory days//EN");
    for day in &days.days {
        let date = first.working_day(day.number - 1);
        for (k, e) in day.entries.iter().chain(&day.beside).enumerate() {
            if e.kind == EntryKind::Break {
                continue;
            }
            let at = |minutes: u32| {
                format!("{:04}{:02}{:02}T{:02}{:02}00", date.year, date.month, date.day, minutes / 60, minutes % 60)
            };
            line(&mut out, "BEGIN:VEVENT");
            line(&mut out, &format!("UID:{}-{k}-{}@hushfield", day.number, at(e.from_min)));
            line(&mut out, &format!("DTSTAMP:{stamp}"));
            line(&mut out, &format!("DTSTART:{}", at(e.from_min)));
            line(&mut out, &format!("DTEND:{}", at(e.to_min)));
            line(&mut out, &format!("SUMMARY:{}", escaped(&e.title)));
            let mut text = e.why.clone();
            if !e.caution.is_empty() {
                let _ = write!(text, "\nCaution: {}", e.caution);
            }
            if !text.is_empty() {
                line(&mut out, &format!("DESCRIPTION:{}", escaped(text.trim_start())));
            }
            line(&mut out, &format!("LOCATION:{}", escaped(&days.laboratory)));
            line(&mut out, "END:VEVENT");
        }
    }
    line(&mut out, "END:VCALENDAR");
    out
}

/// Minutes after midnight as `09:30`.
pub fn clock(minutes: u32) -> String {
    format!("{:02}:{:02}", minutes / 60, minutes % 60)
}

/// The days as comma-separated values: `day,from,to,kind,title,rig,why`; after each day's own rows those of what is prepared
/// meanwhile (`prepare`).
pub fn csv(days: &Days) -> String {
    let quoted = |s: &str| format!("\"{}\"", s.replace('"', "\"\""));
    let mut out = String::from("day,from,to,kind,title,rig,why\n");
    for day in &days.days {
        let own = day.entries.iter().map(|e| (e, false));
        for (e, beside) in own.chain(day.beside.iter().map(|e| (e, true))) {
            let kind = match e.kind {
                EntryKind::SetUp if beside => "prepare",
                EntryKind::SetUp => "set_up",
                EntryKind::Test => "test",
                EntryKind::Break => "break",
                EntryKind::Free => "free",
            };
            let _ = writeln!(
                out,
                "{},{},{},{kind},{},{},{}",
                day.number,
                clock(e.from_min),
                clock(e.to_min),
                quoted(&e.title),
                e.rig.as_deref().unwrap_or(""),
                quoted(&e.why)
            );
        }
    }
    out
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn dates_count_working_days() {
        let date = |t: &str| Date::read(t).unwrap();
        assert_eq!(date("2026-11-27").working_day(1), date("2026-11-30")); // a Friday
        assert_eq!(date("2026-11-28").working_day(0), date("2026-11-30"));
        assert_eq!(date("2027-12-31").working_day(1), date("2028-01-03"));
        assert_eq!(date("2028-02-28").working_day(1), date("2028-02-29"));
        for bad in ["2026-02-30", "2026-13-01", "26-1-1", "2026-11", "x"] {
            assert_eq!(Date::read(bad), None, "{bad}");
        }
    }

    #[test]
    fn long_lines_fold_at_75_octets() {
        let mut out = String::new();
        line(&mut out, &format!("SUMMARY:{}", "ä".repeat(80)));
        for (k, l) in out.trim_end().split("\r\n").enumerate() {
            assert!(l.len() <= 75 && (k == 0 || l.starts_with(' ')), "{l}");
        }
        assert_eq!(out.replace("\r\n ", "").trim_end(), format!("SUMMARY:{}", "ä".repeat(80)));
    }
}
