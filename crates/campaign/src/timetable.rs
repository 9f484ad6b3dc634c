//! An order laid into working minutes, with set-ups prepared while another rig is at work, and slots for repeats.
//!
//! A set-up is cut by what somebody did of it beforehand: at most the part that needs no sample, at most the time in which
//! the rig before left somebody free, never over a night, never at the same place. Every job of an order then ends no
//! later than without (by induction over the order: set-ups only shrink, and a job that no longer has to wait for the next
//! morning ends before it), so no order gets dearer by it. The search lets what was prepared stand over the night: there,
//! every job of every order ends no later than here, so its bound is one that no order with such help can undercut.

use crate::solve::{Frame, Help, Job};

/// One job in time, absolute working minutes.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) struct Placed {
    /// Set-up begins, with the sample.
    pub(crate) setup_from: u32,
    /// The job begins.
    pub(crate) from: u32,
    /// It ends.
    pub(crate) to: u32,
    /// Minutes of its rig's set-up done beforehand, while the job before was at work.
    pub(crate) helped_min: u32,
    /// Slot for a repeat after it, minutes.
    pub(crate) slot_min: u32,
}

/// Lays an order with help; `slot_min` is kept free after each job (by position). `None` where it needs too many days or a
/// slot does not fit into its day.
pub(crate) fn timetable(
    jobs: &[Job],
    order: &[usize],
    frame: &Frame,
    help: &Help,
    slot_min: &[u32],
) -> Option<Vec<Placed>> {
    let start = frame.start.day * frame.day_min + frame.start.minute;
    let (mut now, mut rig) = (start, frame.start.rig);
    // Free minutes of the rig's work since its set-up, of today.
    let mut free = 0;
    let mut placed = Vec::with_capacity(order.len());
    for (k, i) in order.iter().enumerate() {
        let job = &jobs[*i];
        let whole = frame.setup_min[job.rig];
        let today = now - now % frame.day_min;
        let fresh = now.is_multiple_of(frame.day_min);
        let helped_min = match rig {
            Some(r) if r != job.rig && !fresh => help.helped_min(r, job.rig, free).min(whole),
            _ => 0,
        };
        let stands = rig == Some(job.rig);
        let here = if stands && (!fresh || frame.kept_overnight || now == start) { 0 } else { whole - helped_min };
        let (setup_from, setup, helped_min) = if now - today + here + job.minutes <= frame.day_min {
            (now, here, helped_min)
        } else {
            (today + frame.day_min, if stands && frame.kept_overnight { 0 } else { whole }, 0)
        };
        let from = setup_from + setup;
        let to = from + job.minutes;
        let slot = slot_min.get(k).copied().unwrap_or(0);
        if to > frame.days * frame.day_min
            || to % frame.day_min + slot > frame.day_min && !to.is_multiple_of(frame.day_min)
        {
            return None;
        }
        if slot > 0 && to.is_multiple_of(frame.day_min) {
            return None;
        }
        let carries_on = stands && setup == 0 && setup_from == now && !fresh;
        free = if carries_on { free } else { 0 } + help.free_of(*i);
        placed.push(Placed { setup_from, from, to, helped_min, slot_min: slot });
        now = to + slot;
        rig = Some(job.rig);
    }
    Some(placed)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::solve::{Start, lay};

    fn frame() -> Frame {
        Frame {
            setup_min: vec![20, 40, 30],
            day_min: 200,
            days: 9,
            kept_overnight: false,
            half_day_price: 900.0,
            doubt: 0.5,
            start: Start::default(),
            help: Help::default(),
            budget: 1,
            tolerance: 0.0,
        }
    }

    fn help(free: &[u32]) -> Help {
        Help { free_min: free.to_vec(), without_sample_min: vec![10, 25, 20], place: vec![0, 1, 2] }
    }

    fn job(rig: usize, minutes: u32) -> Job {
        Job { rig, minutes, order: 0, sample: 0, fails: 0.0 }
    }

    #[test]
    fn a_set_up_is_cut_by_what_was_done_meanwhile() {
        let jobs = [job(0, 30), job(0, 10), job(1, 50)];
        // 20 + 30 + 10, then 40 less min(25, 30 free): 15 of set-up.
        let t = timetable(&jobs, &[0, 1, 2], &frame(), &help(&[20, 10, 0]), &[]).unwrap();
        assert_eq!((t[2].setup_from, t[2].from, t[2].to, t[2].helped_min), (60, 75, 125, 25));
        // Only 8 min free: 8 of it.
        let t = timetable(&jobs, &[0, 1, 2], &frame(), &help(&[8, 0, 0]), &[]).unwrap();
        assert_eq!((t[2].from, t[2].helped_min), (92, 8));
        // At the same place nothing.
        let same = Help { place: vec![0, 0, 2], ..help(&[20, 10, 0]) };
        assert_eq!(timetable(&jobs, &[0, 1, 2], &frame(), &same, &[]).unwrap()[2].helped_min, 0);
        // Over a night nothing: 190 + 15 + 50 do not fit, the morning has the whole set-up.
        let long = [job(0, 170), job(1, 50)];
        let t = timetable(&long, &[0, 1], &frame(), &help(&[170, 0]), &[]).unwrap();
        assert_eq!((t[1].setup_from, t[1].from, t[1].helped_min), (200, 240, 0));
        // A slot moves what follows, and one that does not fit into its day is refused.
        let t = timetable(&jobs, &[0, 1, 2], &frame(), &help(&[0, 0, 0]), &[15, 0, 0]).unwrap();
        assert_eq!((t[1].from, t[0].slot_min), (65, 15));
        assert_eq!(timetable(&jobs, &[0, 1, 2], &frame(), &help(&[0, 0, 0]), &[0, 0, 60]), None);
    }

    /// Without help the timetable is that of the search; with help no job of any order ends later, nor any earlier than as the
    /// search lays it.
    #[test]
    fn help_never_makes_a_job_later() {
        let mut seed = 7_u64;
        let mut below = |m: u32| {
            seed = seed.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
            ((seed >> 33) % u64::from(m)) as u32
        };
        for _ in 0..2000 {
            let jobs: Vec<Job> = (0..6).map(|_| job(below(3) as usize, 5 + below(100))).collect();
            let mut order: Vec<usize> = (0..6).collect();
            for k in (1..6).rev() {
                order.swap(k, below(k as u32 + 1) as usize);
            }
            let mut f = Frame { kept_overnight: below(2) == 0, ..frame() };
            f.start.minute = below(100);
            f.start.rig = (below(2) == 0).then(|| below(3) as usize);
            let with = help(&[below(60), below(60), below(60), below(60), below(60), below(60)]);
            let none = help(&[0; 6]);
            let plain = timetable(&jobs, &order, &f, &none, &[]).unwrap();
            let (times, _) = lay(&jobs, &order, &f);
            assert_eq!(plain.iter().map(|p| (p.from, p.to)).collect::<Vec<_>>(), times);
            let helped = timetable(&jobs, &order, &f, &with, &[]).unwrap();
            f.help = with;
            let (least, _) = lay(&jobs, &order, &f);
            for k in 0..6 {
                assert!(helped[k].to <= plain[k].to, "{helped:?} {plain:?}");
                assert!(least[k].1 <= helped[k].to, "{least:?} {helped:?}");
            }
        }
    }
}
