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
    let all = |x: &campaign::LabDay| x.entries.iter().chain(&x.beside).cloned().collect::<Vec<_>>();
    let events = d.days.iter().flat_map(all).filter(|e| e.kind != EntryKind::Break).count();
    assert_eq!(ics.matches("BEGIN:VEVENT\r\n").count(), events);
    assert_eq!(ics.matches("END:VEVENT\r\n").count(), events);
    assert!(ics.starts_with("BEGIN:VCALENDAR\r\n") && ics.ends_with("END:VCALENDAR\r\n"));
    assert!(ics.contains("DTSTART:20261204T083000\r\n"));
    // 4 December 2026 is a Friday: the second day is the Monday after.
    assert!(d.days.len() < 2 || ics.contains("DTSTART:20261207T0830"), "{ics}");
    let table = csv(&d);
    assert_eq!(table.lines().count(), 1 + d.days.iter().map(|x| x.entries.len() + x.beside.len()).sum::<usize>());
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

fn minutes(entries: &[campaign::DayEntry]) -> u32 {
    entries.iter().map(|e| e.to_min - e.from_min).sum()
}

#[test]
fn a_second_person_prepares_the_next_rig_meanwhile() {
    let (_, alone) = made(&Request::default(), &Laboratory::default());
    let two = Laboratory { staff: 2, staff_half_day_price: 100.0, ..Laboratory::default() };
    let (_, helped) = made(&Request::default(), &two);
    println!(
        "two people: {} min prepared, {} min saved, gap {:.2} %; alone: {} min prepared, {} min saved, gap {:.2} %",
        helped.prepared_min,
        helped.saved_min,
        helped.gap_percent,
        alone.prepared_min,
        alone.saved_min,
        alone.gap_percent
    );
    assert!(helped.saved_min > 60, "{} {}", helped.prepared_min, helped.saved_min);
    assert!(helped.cost < alone.cost && helped.cost_bound <= helped.cost && helped.gap_percent < 3.0);
    assert!((helped.price - f64::from(helped.half_days) * (two.half_day_price + 100.0)).abs() < 1e-9);
    assert_eq!(helped.days.iter().map(|d| minutes(&d.beside)).sum::<u32>(), helped.prepared_min);
    for day in &helped.days {
        for b in &day.beside {
            // Only while a test of another rig is at work, and the rig is the next that is set up.
            let during: Vec<_> =
                day.entries.iter().filter(|e| e.from_min < b.to_min && e.to_min > b.from_min).collect();
            assert!(!during.is_empty() && during.iter().all(|e| e.kind == EntryKind::Test && e.rig != b.rig), "{b:?}");
            let next = day.entries.iter().find(|e| e.kind == EntryKind::SetUp && e.from_min >= b.to_min).unwrap();
            assert_eq!(next.rig, b.rig);
        }
    }
    // Where every rig stands at one place nothing can be prepared.
    let mut rigs = two.rigs.clone();
    for rig in &mut rigs {
        rig.place = "hall".to_owned();
    }
    let (_, none) = made(&Request::default(), &Laboratory { rigs, ..two.clone() });
    assert_eq!((none.prepared_min, none.saved_min), (0, 0));
    // Nobody is left alone with the surge generator: only a third person prepares meanwhile.
    let stored = |d: &Days| {
        let generator = |e: &campaign::DayEntry| e.rig.as_deref() == Some("transient_generator");
        let mut found = 0;
        for day in &d.days {
            for b in &day.beside {
                let during = |e: &&campaign::DayEntry| e.from_min < b.to_min && e.to_min > b.from_min;
                found += day.entries.iter().filter(during).filter(|e| generator(e)).count();
            }
        }
        found
    };
    let (_, three) = made(&Request { staff: Some(3), ..Request::default() }, &two);
    assert_eq!(stored(&helped), 0);
    assert!(three.cost <= helped.cost + 1e-6);
    println!("three people: {} min saved, {} preparations beside the generator", three.saved_min, stored(&three));
    // Alone: only what runs by itself leaves time, here flicker and harmonics.
    let rests: f64 = alone.jobs.iter().map(|j| j.duration.by_itself_s(300.0) / 60.0).sum();
    assert!(f64::from(alone.prepared_min) <= rests, "{} {rests}", alone.prepared_min);
}

#[test]
fn a_reserve_becomes_slots_where_failing_is_likely() {
    let (_, without) = made(&Request::default(), &Laboratory::default());
    let (_, with) = made(&Request { reserve_half_days: 1, ..Request::default() }, &Laboratory::default());
    assert_eq!((with.half_days, with.reserve_half_days), (without.half_days + 1, 1));
    assert!(with.free_min > without.free_min + 200, "{} {}", with.free_min, without.free_min);
    let mut slots = 0;
    for day in &with.days {
        for pair in day.entries.windows(2).filter(|p| p[1].kind == EntryKind::Free && p[1].rig.is_some()) {
            slots += 1;
            let job = with.jobs.iter().find(|j| Some(&j.id) == pair[0].job.as_ref()).unwrap();
            assert!(job.fails >= 0.2 && pair[1].rig.as_deref() == Some(&job.rig), "{pair:?}");
        }
        assert!(day.entries.windows(2).all(|p| p[0].to_min <= p[1].from_min));
    }
    assert!(slots >= 1);
    let free: u32 = with
        .days
        .iter()
        .flat_map(|d| &d.entries)
        .filter(|e| e.kind == EntryKind::Free)
        .map(|e| e.to_min - e.from_min)
        .sum();
    assert_eq!(free, with.free_min);
    // Past the last day there is none.
    let (_, short) = made(&Request { reserve_half_days: 99, ..Request::default() }, &Laboratory::default());
    assert_eq!(short.half_days, 2 * Laboratory::default().days);
}

#[test]
fn each_decision_says_what_going_home_would_have_to_give_back() {
    let (_, d) = made(&Request::default(), &Laboratory::default());
    let lab = Laboratory::default();
    let minute = 2.0 * lab.half_day_price / f64::from(lab.capacity_min());
    for x in &d.decisions {
        assert!((x.go_home_above - 0.5 * f64::from(x.remaining_min) * minute).abs() < 1e-6);
    }
    let order = jobs_in_time(&d);
    let last = d.decisions.iter().find(|x| x.job == order.last().unwrap().3).unwrap();
    assert_eq!(last.remaining_min, 0);
}
