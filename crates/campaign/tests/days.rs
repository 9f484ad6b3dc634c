//! The days keep their promises: hours, order, completeness, re-planning, exports.

mod common;

use campaign::{
    Answers, Date, DayResult, Days, EntryKind, Laboratory, Now, Pace, Plan, Request, csv, days, icalendar, order_class,
    plan,
};
use common::{port, product};
use standards::{Phenomenon, Place, Port, RuleBase};

fn sample() -> Answers {
    let more = [
        port("a", Port::SignalControl, Some(60.0)),
        port("b", Port::SignalControl, Some(40.0)),
        port("earth", Port::FunctionalEarth, Some(5.0)),
    ];
    product(Place::Industrial, 300e6, &more)
}

fn made(request: &Request, laboratory: &Laboratory) -> (Plan, Days) {
    let p = plan(&sample(), RuleBase::embedded());
    let pace = Pace { surge_rest_s: 30.0, ..Pace::default() };
    let d = days(&p, &sample(), &pace, laboratory, request).unwrap();
    (p, d)
}

fn jobs_in_time(d: &Days) -> Vec<(u32, u32, u32, String)> {
    let mut list: Vec<(u32, u32, u32, String)> = Vec::new();
    for day in &d.days {
        for e in day.entries.iter().filter(|e| e.kind == EntryKind::Test) {
            list.push((day.number, e.from_min, e.to_min, e.job.clone().unwrap()));
        }
    }
    list
}

#[test]
fn every_test_is_done_once_inside_the_hours_and_in_a_safe_order() {
    let lab = Laboratory::default();
    let (p, d) = made(&Request::default(), &lab);
    assert!(d.proven && d.gap_percent < 0.3, "{} {}", d.proven, d.gap_percent);
    let mut tests: Vec<&str> = d.jobs.iter().flat_map(|j| j.tests.iter().map(String::as_str)).collect();
    tests.sort_unstable();
    tests.dedup();
    let mut wanted: Vec<&str> = p.tests.iter().map(|t| t.id.as_str()).collect();
    wanted.sort_unstable();
    assert_eq!(tests, wanted);
    let job = |id: &str| d.jobs.iter().find(|j| j.id == id).unwrap();
    let mut last = 0;
    for (_, _, _, id) in jobs_in_time(&d) {
        let class = order_class(job(&id).phenomenon);
        assert!(class >= last, "{id}");
        last = class;
    }
    for day in &d.days {
        for pair in day.entries.windows(2) {
            assert!(pair[0].to_min <= pair[1].from_min, "{pair:?}");
        }
        for e in &day.entries {
            assert!(e.from_min >= lab.opens_min && e.to_min <= lab.closes_min && e.from_min < e.to_min, "{e:?}");
            if e.kind != EntryKind::Break {
                assert!(lab.breaks_min.iter().all(|[a, b]| e.to_min <= *a || e.from_min >= *b), "{e:?}");
            }
        }
    }
    // Worked time is the jobs' own.
    let worked: u32 = jobs_in_time(&d).iter().map(|(_, a, b, _)| b - a).sum();
    let asked: f64 = d.jobs.iter().map(|j| (j.duration.total_s / 60.0).ceil().max(1.0)).sum();
    assert!((f64::from(worked) - asked).abs() < 0.5, "{worked} {asked}");
    // What stands on mains or high voltage says so where it is done.
    let surge = d.days.iter().flat_map(|x| &x.entries).find(|e| e.job.as_deref() == Some("mains-surge")).unwrap();
    assert!(surge.caution.contains("never alone") && surge.why.contains("last"), "{surge:?}");
    assert!((d.price - f64::from(d.half_days) * lab.half_day_price).abs() < 1e-9);
}

#[test]
fn a_second_sample_frees_what_may_break_it() {
    let (_, one) = made(&Request::default(), &Laboratory::default());
    let (_, two) = made(&Request { second_sample: true, ..Request::default() }, &Laboratory::default());
    assert!(two.cost <= one.cost + 1e-6, "{} {}", two.cost, one.cost);
    assert!(two.jobs.iter().all(|j| (j.sample == 2) == j.phenomenon.may_destroy()));
}

#[test]
fn results_are_replanned_from_where_the_work_stands() {
    let (_, before) = made(&Request::default(), &Laboratory::default());
    let order: Vec<String> = jobs_in_time(&before).into_iter().map(|j| j.3).collect();
    let results: Vec<DayResult> =
        order[..3].iter().enumerate().map(|(k, job)| DayResult { job: job.clone(), passed: k != 1 }).collect();
    let now = Some(Now {
        day: 1,
        worked_min: 200,
        rig: Some(before.jobs.iter().find(|j| j.id == order[2]).unwrap().rig.clone()),
    });
    let (_, after) = made(&Request { results, now, ..Request::default() }, &Laboratory::default());
    let left: Vec<String> = jobs_in_time(&after).into_iter().map(|j| j.3).collect();
    assert!(!left.contains(&order[0]) && left.contains(&order[1]) && !left.contains(&order[2]));
    let first = &after.days[0].entries[0];
    assert!(after.days[0].number == 1 && first.from_min >= 8 * 60 + 30 + 200, "{first:?}");
    let wrong = Request { results: vec![DayResult { job: "x".to_owned(), passed: true }], ..Request::default() };
    let p = plan(&sample(), RuleBase::embedded());
    let error = days(&p, &sample(), &Pace::default(), &Laboratory::default(), &wrong).unwrap_err().to_string();
    assert!(error.contains("no job `x`") && error.contains("mains-surge"), "{error}");
}

#[test]
fn a_likely_failure_moves_forward_among_its_equals() {
    let p = plan(&sample(), RuleBase::embedded());
    let test = p.tests.iter().find(|t| t.port == "b" && t.phenomenon == Phenomenon::ConductedRf).unwrap();
    let position = |chance: f64| {
        let request = Request { chances: [(test.id.clone(), chance)].into(), ..Request::default() };
        let (_, d) = made(&request, &Laboratory::default());
        assert!(d.jobs.iter().any(|j| (j.fails - chance).abs() < 1e-12 && j.fails_from == "this product's own runs"));
        let order = jobs_in_time(&d);
        let own = order.iter().position(|j| j.3 == "b-conducted-rf").unwrap();
        order.iter().take(own).filter(|j| j.3.ends_with("conducted-rf")).count()
    };
    assert_eq!(position(0.9), 0);
    assert!(position(0.001) >= 2);
}

#[test]
fn the_days_go_out_as_calendar_and_table() {
    let (_, d) = made(&Request::default(), &Laboratory::default());
    let ics = icalendar(&d, Date::read("2026-12-04").unwrap(), "20261125T140000Z");
    let events = d.days.iter().flat_map(|x| &x.entries).filter(|e| e.kind != EntryKind::Break).count();
    assert_eq!(ics.matches("BEGIN:VEVENT\r\n").count(), events);
    assert_eq!(ics.matches("END:VEVENT\r\n").count(), events);
    assert!(ics.starts_with("BEGIN:VCALENDAR\r\n") && ics.ends_with("END:VCALENDAR\r\n"));
    assert!(ics.contains("DTSTART:20261204T083000\r\n"));
    // 4 December 2026 is a Friday: the second day is the Monday after.
    assert!(d.days.len() < 2 || ics.contains("DTSTART:20261207T0830"), "{ics}");
    let table = csv(&d);
    assert_eq!(table.lines().count(), 1 + d.days.iter().map(|x| x.entries.len()).sum::<usize>());
}

#[test]
fn an_impossible_laboratory_is_refused() {
    for (text, word) in [
        ("opens_min = 900\ncloses_min = 600\n", "opening before closing"),
        ("breaks_min = [[100, 200]]\n", "inside the opening hours"),
        ("half_day_price = -1.0\n", "price"),
        ("days = 0\n", "1 to 60"),
        ("colour = 1\n", "colour"),
        ("[[rig]]\nid = \"x\"\nname = \"x\"\nphenomena = [\"burst\"]\nsetup_min = 1\norder = 2\n", "no rig for"),
    ] {
        let error = Laboratory::read(text).unwrap_err().to_string();
        assert!(error.contains(word), "{text}: {error}");
    }
    assert_eq!(Laboratory::read("").unwrap(), Laboratory::default());
}
