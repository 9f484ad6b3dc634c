//! The order of the jobs: least cost, proven or with its gap to a proven bound.
//!
//! **Cost** of an order, in money: half-days booked, plus what failures are expected to repeat, plus a small price on
//! every minute used, because free time at the end is what a repeat is made in. A job that fails with probability p after
//! work of T minutes on the same sample puts a share of that work in doubt: it costs p times that share of T.
//!
//! **Rules.** One job at a time. On one sample order classes never go back. Going to another rig, and starting a day where
//! rigs are not kept overnight, costs the rig's set-up. A job does not run into the next day.
//!
//! Where somebody is free meanwhile, the part of the next rig's set-up that needs no sample is done beforehand
//! ([`Help`]).
//!
//! **Search.** Best first over states (jobs done, rig), each with its undominated times, costs and free minutes. Two jobs that
//! follow each other on the same rig, sample and class are only tried in Smith's order (p over minutes falling): swapping
//! them changes nothing else. The bound below a state adds the remaining minutes, one set-up for every rig still to be
//! visited, and the expected repeats in Smith's order within each class of each sample, which no order can undercut.
//! Before it, a local search gives an order to beat. Where the search ends within its budget the order is proven;
//! else the least bound still open is the proven bound.

use std::cmp::Ordering;
use std::collections::{BinaryHeap, HashMap};

/// Something to be done in one go.
#[derive(Debug, Clone, PartialEq)]
pub struct Job {
    /// Index of its rig.
    pub rig: usize,
    /// Minutes, without the rig's set-up.
    pub minutes: u32,
    /// Order class; see [`crate::order_class`].
    pub order: u8,
    /// Which sample it is done on.
    pub sample: u8,
    /// Probability that it fails.
    pub fails: f64,
}

/// Who may prepare the next rig meanwhile. Empty lists: nobody.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub struct Help {
    /// Minutes of each job in which somebody is free.
    pub free_min: Vec<u32>,
    /// Minutes of each rig's set-up that need no sample.
    pub without_sample_min: Vec<u32>,
    /// Place of each rig: two at one place do not stand at once.
    pub place: Vec<usize>,
}

impl Help {
    pub(crate) fn free_of(&self, job: usize) -> u32 {
        self.free_min.get(job).copied().unwrap_or(0)
    }

    /// Minutes of a rig's set-up done while another rig left `free` minutes.
    pub(crate) fn helped_min(&self, other: usize, rig: usize, free: u32) -> u32 {
        let apart = self.place.get(other) != self.place.get(rig);
        if apart { self.without_sample_min.get(rig).copied().unwrap_or(0).min(free) } else { 0 }
    }
}

/// What the jobs are laid into.
#[derive(Debug, Clone, PartialEq)]
pub struct Frame {
    /// Set-up of every rig, minutes.
    pub setup_min: Vec<u32>,
    /// Working minutes of a day.
    pub day_min: u32,
    /// Most days.
    pub days: u32,
    /// A rig left in the evening stands in the morning.
    pub kept_overnight: bool,
    /// Price of half a day.
    pub half_day_price: f64,
    /// Share of the work already passed on a sample that a fix puts in doubt.
    pub doubt: f64,
    /// Where the work begins: day, minute of it, rig already standing, minutes already worked on each sample.
    pub start: Start,
    /// Who may prepare the next rig meanwhile; what is prepared stands over the night.
    pub help: Help,
    /// States that may be opened before the search gives up proving.
    pub budget: usize,
    /// Relative gap that counts as none.
    pub tolerance: f64,
}

/// A point in the middle of the days.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Start {
    /// Day, from 0.
    pub day: u32,
    /// Working minute of the day.
    pub minute: u32,
    /// The rig that stands.
    pub rig: Option<usize>,
    /// Minutes passed on samples 0, 1, …
    pub passed_min: Vec<u32>,
}

/// An order and what is known about it.
#[derive(Debug, Clone, PartialEq)]
pub struct Order {
    /// Jobs by index, in time.
    pub jobs: Vec<usize>,
    /// Its cost.
    pub cost: f64,
    /// No order costs less than this.
    pub bound: f64,
    /// The search came to its end: cost and bound agree within the tolerance.
    pub proven: bool,
    /// States opened.
    pub opened: usize,
}

/// The jobs cannot be laid.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum SolveError {
    /// Too many for the search.
    #[error("{found} jobs; at most 64 can be ordered at once: put some of one rig together")]
    TooMany {
        /// Jobs given.
        found: usize,
    },
    /// One does not fit into a day.
    #[error("job {job}: {minutes} min with its set-up; a day has {day_min} min")]
    TooLong {
        /// Index of the job.
        job: usize,
        /// Its minutes with set-up.
        minutes: u32,
        /// Minutes of a day.
        day_min: u32,
    },
    /// Not enough days.
    #[error("the tests need more than {days} days")]
    TooFewDays {
        /// Days allowed.
        days: u32,
    },
}

/// A minute used costs this share of a minute booked.
const MINUTE_SHARE: f64 = 0.1;

impl Frame {
    /// Price of a minute.
    pub(crate) fn minute_price(&self) -> f64 {
        2.0 * self.half_day_price / f64::from(self.day_min.max(1))
    }

    /// Cost of having worked until this absolute minute (day times minutes of a day plus minute).
    fn time_cost(&self, end: u32, start: u32) -> f64 {
        if end <= start {
            return 0.0;
        }
        let half = self.day_min.div_ceil(2);
        let halves = |t: u32| {
            let (days, rest) = (t / self.day_min, t % self.day_min);
            days * 2 + rest.div_ceil(half)
        };
        f64::from(halves(end) - halves(start)) * self.half_day_price
            + f64::from(end - start) * MINUTE_SHARE * self.minute_price()
    }

    /// Cost of an order that ends at this absolute minute.
    pub(crate) fn cost(&self, jobs: &[Job], order: &[usize], end: u32) -> f64 {
        let mut passed = self.start.passed_min.clone();
        let mut repeats = 0.0;
        for i in order {
            let job = &jobs[*i];
            let s = usize::from(job.sample);
            if passed.len() <= s {
                passed.resize(s + 1, 0);
            }
            repeats += job.fails * f64::from(passed[s]);
            passed[s] += job.minutes;
        }
        self.time_cost(end, self.start_minute()) + repeats * self.doubt * self.minute_price()
    }

    fn start_minute(&self) -> u32 {
        self.start.day * self.day_min + self.start.minute
    }

    /// When a job that begins after absolute minute `now` at rig `rig` begins and ends; `free` minutes of that rig's work
    /// were there for preparing another.
    fn place(&self, now: u32, rig: Option<usize>, free: u32, job: &Job) -> (u32, u32) {
        let today = now - now % self.day_min;
        let fresh = now.is_multiple_of(self.day_min);
        let whole = self.setup_min[job.rig];
        let stands = rig == Some(job.rig);
        let change = match rig {
            Some(r) if !stands => whole - self.help.helped_min(r, job.rig, free).min(whole),
            _ => whole,
        };
        let here = if stands && (!fresh || self.kept_overnight || now == self.start_minute()) { 0 } else { change };
        if now - today + here + job.minutes <= self.day_min {
            return (now + here, now + here + job.minutes);
        }
        let again = if stands && self.kept_overnight { 0 } else { change };
        let tomorrow = today + self.day_min;
        (tomorrow + again, tomorrow + again + job.minutes)
    }

    /// Free minutes of the run of jobs on one rig that now ends with this one.
    fn free_after(&self, rig: Option<usize>, free: u32, index: usize, job: &Job) -> u32 {
        self.help.free_of(index) + if rig == Some(job.rig) { free } else { 0 }
    }
}

/// Start and end (absolute minutes) of every job of an order, and its cost.
pub fn lay(jobs: &[Job], order: &[usize], frame: &Frame) -> (Vec<(u32, u32)>, f64) {
    let mut now = frame.start_minute();
    let mut rig = frame.start.rig;
    let mut free = 0;
    let mut times = Vec::with_capacity(order.len());
    for i in order {
        let (from, to) = frame.place(now, rig, free, &jobs[*i]);
        times.push((from, to));
        now = to;
        free = frame.free_after(rig, free, *i, &jobs[*i]);
        rig = Some(jobs[*i].rig);
    }
    (times, frame.cost(jobs, order, now))
}

fn smith(a: &Job, b: &Job) -> Ordering {
    (b.fails * f64::from(a.minutes)).total_cmp(&(a.fails * f64::from(b.minutes)))
}

struct State {
    f: f64,
    mask: u64,
    rig: Option<usize>,
    now: u32,
    free: u32,
    repeats: f64,
    last: usize,
    parent: usize,
}

struct Entry {
    f: f64,
    depth: u32,
    state: usize,
}

impl PartialEq for Entry {
    fn eq(&self, other: &Self) -> bool {
        self.cmp(other) == Ordering::Equal
    }
}
impl Eq for Entry {}
impl PartialOrd for Entry {
    fn partial_cmp(&self, other: &Self) -> Option<Ordering> {
        Some(self.cmp(other))
    }
}
impl Ord for Entry {
    fn cmp(&self, other: &Self) -> Ordering {
        // Least bound first; among equals the deepest.
        other.f.total_cmp(&self.f).then(self.depth.cmp(&other.depth)).then(self.state.cmp(&other.state))
    }
}

/// Bounds and rules made once.
struct Problem<'a> {
    jobs: &'a [Job],
    frame: &'a Frame,
    /// Jobs of each sample by class and Smith's order.
    by_sample: Vec<Vec<usize>>,
    /// Jobs that must be done before each job.
    before: Vec<u64>,
}

impl<'a> Problem<'a> {
    fn new(jobs: &'a [Job], frame: &'a Frame) -> Self {
        let samples = jobs.iter().map(|j| usize::from(j.sample) + 1).max().unwrap_or(1);
        let by_sample = (0..samples)
            .map(|s| {
                let mut of: Vec<usize> = (0..jobs.len()).filter(|i| usize::from(jobs[*i].sample) == s).collect();
                of.sort_by(|a, b| jobs[*a].order.cmp(&jobs[*b].order).then_with(|| smith(&jobs[*a], &jobs[*b])));
                of
            })
            .collect();
        let before = jobs
            .iter()
            .map(|j| {
                jobs.iter()
                    .enumerate()
                    .filter(|(_, k)| k.sample == j.sample && k.order < j.order)
                    .fold(0, |m, (i, _)| m | 1 << i)
            })
            .collect();
        Self { jobs, frame, by_sample, before }
    }

    fn passed(&self, mask: u64, sample: usize) -> u32 {
        let own = self.frame.start.passed_min.get(sample).copied().unwrap_or(0);
        own + self.by_sample[sample].iter().filter(|i| mask >> **i & 1 == 1).map(|i| self.jobs[*i].minutes).sum::<u32>()
    }

    /// No way from here ends cheaper.
    fn bound(&self, mask: u64, rig: Option<usize>, now: u32, free: u32, repeats: f64) -> f64 {
        let mut left = 0;
        let mut rigs = 0_u64;
        // Each free minute of what is left can shorten one set-up once.
        let mut free = free;
        for (i, job) in self.jobs.iter().enumerate() {
            if mask >> i & 1 == 0 {
                left += job.minutes;
                free += self.frame.help.free_of(i);
                rigs |= 1 << job.rig;
            }
        }
        if let Some(r) = rig {
            rigs &= !(1 << r);
        }
        let of = |list: &[u32]| -> u32 {
            list.iter().enumerate().filter(|(r, _)| rigs >> *r & 1 == 1).map(|(_, s)| s).sum()
        };
        let whole = of(&self.frame.setup_min);
        let setups = whole - of(&self.frame.help.without_sample_min).min(free).min(whole);
        let mut more = repeats;
        for (s, order) in self.by_sample.iter().enumerate() {
            let mut passed = f64::from(self.passed(mask, s));
            for i in order.iter().filter(|i| mask >> **i & 1 == 0) {
                more += self.jobs[*i].fails * passed;
                passed += f64::from(self.jobs[*i].minutes);
            }
        }
        let f = self.frame;
        f.time_cost(now + left + setups, f.start_minute()) + more * f.doubt * f.minute_price()
    }

    fn cost(&self, order: &[usize]) -> f64 {
        lay(self.jobs, order, self.frame).1
    }

    fn allowed(&self, order: &[usize]) -> bool {
        let mut done = 0_u64;
        order.iter().all(|i| {
            let ok = self.before[*i] & !done == 0;
            done |= 1 << i;
            ok
        })
    }

    /// A good order quickly: rigs together, then jobs and runs of jobs moved while that helps, from several starts.
    fn local(&self) -> (Vec<usize>, f64) {
        let n = self.jobs.len();
        let mut start: Vec<usize> = (0..n).collect();
        start.sort_by(|a, b| {
            let (x, y) = (&self.jobs[*a], &self.jobs[*b]);
            x.order.cmp(&y.order).then(x.sample.cmp(&y.sample)).then(x.rig.cmp(&y.rig)).then_with(|| smith(x, y))
        });
        let mut best = self.descend(start.clone());
        // A small generator of its own keeps the result the same on every machine.
        let mut seed = 0x9e37_79b9_7f4a_7c15_u64;
        let mut random = |m: usize| {
            seed ^= seed << 13;
            seed ^= seed >> 7;
            seed ^= seed << 17;
            (seed % m.max(1) as u64) as usize
        };
        for _ in 0..if n > 1 { 30 } else { 0 } {
            let mut order = best.0.clone();
            for _ in 0..3 {
                let (from, to, len) = (random(n), random(n), 1 + random(3));
                moved(&mut order, from, to, len.min(n - from));
            }
            if self.allowed(&order) {
                let found = self.descend(order);
                if found.1 < best.1 {
                    best = found;
                }
            }
        }
        best
    }

    fn descend(&self, mut order: Vec<usize>) -> (Vec<usize>, f64) {
        let n = order.len();
        let mut cost = self.cost(&order);
        loop {
            let mut better = None;
            for len in 1..=n.min(6) {
                for from in 0..=n - len {
                    for to in 0..=n - len {
                        if to == from {
                            continue;
                        }
                        let mut next = order.clone();
                        moved(&mut next, from, to, len);
                        if self.allowed(&next) {
                            let c = self.cost(&next);
                            if c < cost - 1e-9 && better.as_ref().is_none_or(|(_, b)| c < *b) {
                                better = Some((next, c));
                            }
                        }
                    }
                }
            }
            match better {
                Some((next, c)) => (order, cost) = (next, c),
                None => return (order, cost),
            }
        }
    }
}

/// Takes `len` entries at `from` out and puts them in at `to`.
fn moved(order: &mut Vec<usize>, from: usize, to: usize, len: usize) {
    let run: Vec<usize> = order.drain(from..from + len).collect();
    let to = to.min(order.len());
    order.splice(to..to, run);
}

/// The order of least cost, or the best found with its bound.
pub fn solve(jobs: &[Job], frame: &Frame) -> Result<Order, SolveError> {
    if jobs.len() > 64 || frame.setup_min.len() > 64 {
        return Err(SolveError::TooMany { found: jobs.len() });
    }
    if let Some((i, job)) = jobs.iter().enumerate().find(|(_, j)| j.minutes + frame.setup_min[j.rig] > frame.day_min) {
        let minutes = job.minutes + frame.setup_min[job.rig];
        return Err(SolveError::TooLong { job: i, minutes, day_min: frame.day_min });
    }
    let problem = Problem::new(jobs, frame);
    let start = frame.start_minute();
    let root = problem.bound(0, frame.start.rig, start, 0, 0.0);
    if jobs.is_empty() {
        return Ok(Order { jobs: Vec::new(), cost: root, bound: root, proven: true, opened: 0 });
    }
    let (mut best_order, mut best) = problem.local();
    let full = if jobs.len() == 64 { u64::MAX } else { (1 << jobs.len()) - 1 };
    let mut states = vec![State {
        f: root,
        mask: 0,
        rig: frame.start.rig,
        now: start,
        free: 0,
        repeats: 0.0,
        last: usize::MAX,
        parent: 0,
    }];
    let mut heap = BinaryHeap::from([Entry { f: root, depth: 0, state: 0 }]);
    // For each set of jobs done and rig: time, repeats and free minutes that nothing beats.
    let mut seen: HashMap<(u64, Option<usize>), Vec<(u32, f64, u32)>> = HashMap::new();
    let mut opened = 0;
    let mut open_bound = f64::INFINITY;
    while let Some(entry) = heap.pop() {
        if entry.f >= best - frame.tolerance * best - 1e-9 {
            break;
        }
        if opened >= frame.budget {
            open_bound = entry.f;
            break;
        }
        let (mask, rig, now, free, repeats, last) = {
            let s = &states[entry.state];
            (s.mask, s.rig, s.now, s.free, s.repeats, s.last)
        };
        let beaten = |list: &[(u32, f64, u32)]| {
            list.iter()
                .any(|(t, r, f)| *t <= now && *r <= repeats && *f >= free && (*t, *r, *f) != (now, repeats, free))
        };
        if seen.get(&(mask, rig)).is_some_and(|l| beaten(l)) {
            continue;
        }
        opened += 1;
        for (i, job) in jobs.iter().enumerate() {
            if mask >> i & 1 == 1 || problem.before[i] & !mask != 0 {
                continue;
            }
            let (from, to) = frame.place(now, rig, free, job);
            if to > frame.days * frame.day_min {
                continue;
            }
            if last != usize::MAX && now > start {
                let l = &jobs[last];
                // A job that ends a day to the minute and one that begins the next are not one piece of work: the longer of
                // them may not fit into the first day.
                let same_day = !now.is_multiple_of(frame.day_min);
                let together =
                    l.rig == job.rig && l.sample == job.sample && l.order == job.order && from == now && same_day;
                // Only Smith's order; among equals the lower index first.
                if together && (smith(job, l) == Ordering::Less || (smith(job, l) == Ordering::Equal && i < last)) {
                    continue;
                }
            }
            let more = repeats + job.fails * f64::from(problem.passed(mask, usize::from(job.sample)));
            let next = mask | 1 << i;
            let left_free = frame.free_after(rig, free, i, job);
            let f = problem.bound(next, Some(job.rig), to, left_free, more);
            if f >= best - frame.tolerance * best - 1e-9 && next != full {
                continue;
            }
            if next == full {
                let cost = frame.time_cost(to, start) + more * frame.doubt * frame.minute_price();
                if cost < best {
                    best = cost;
                    let mut order = vec![i];
                    let mut at = entry.state;
                    while states[at].last != usize::MAX {
                        order.push(states[at].last);
                        at = states[at].parent;
                    }
                    order.reverse();
                    best_order = order;
                }
                continue;
            }
            let list = seen.entry((next, Some(job.rig))).or_default();
            if list.iter().any(|(t, r, f)| *t <= to && *r <= more && *f >= left_free) {
                continue;
            }
            list.retain(|(t, r, f)| !(to <= *t && more <= *r && left_free >= *f));
            list.push((to, more, left_free));
            states.push(State {
                f,
                mask: next,
                rig: Some(job.rig),
                now: to,
                free: left_free,
                repeats: more,
                last: i,
                parent: entry.state,
            });
            heap.push(Entry { f: states[states.len() - 1].f, depth: next.count_ones(), state: states.len() - 1 });
        }
    }
    let (times, cost) = lay(jobs, &best_order, frame);
    if times.last().is_some_and(|(_, to)| *to > frame.days * frame.day_min) {
        return Err(SolveError::TooFewDays { days: frame.days });
    }
    // What was cut off costs at least the best less the tolerance; what was left open costs at least the least bound.
    let bound = (cost - frame.tolerance * cost).min(open_bound);
    Ok(Order { jobs: best_order, cost, bound, proven: open_bound.is_infinite(), opened })
}
