//! The series: factors against published tables and another program, methods against what they promise.

use std::process::Command;

use emission::random::Random;
use emission::series::{SeriesRule, judge_series, noncentral_t_below, noncentral_t_quantile};

fn python() -> Option<String> {
    let found = std::env::var("HUSHFIELD_PYTHON")
        .ok()
        .filter(|p| Command::new(p).args(["-c", "import scipy"]).status().is_ok_and(|s| s.success()));
    if found.is_none() {
        println!("skipped: HUSHFIELD_PYTHON names no Python with scipy");
        assert!(std::env::var_os("CI").is_none(), "HUSHFIELD_PYTHON must name a Python with scipy here");
    }
    found
}

/// CISPR 16-4-3 (from memory) prints k = 2.04, 1.69, 1.52, 1.42, 1.35, 1.30, 1.27, 1.24, 1.21, 1.20 for 3 to 12 samples, a
/// little on the safe side for few; scipy.stats.nct gives 2.016, 1.675, 1.514, 1.417, 1.352, 1.304, 1.266, 1.237, 1.212,
/// 1.192.
#[test]
fn the_factors_are_the_published_ones() {
    let printed = [2.04, 1.69, 1.52, 1.42, 1.35, 1.30, 1.27, 1.24, 1.21, 1.20];
    let computed = [2.016, 1.675, 1.514, 1.417, 1.352, 1.304, 1.266, 1.237, 1.212, 1.192];
    for (i, (p, c)) in printed.iter().zip(computed).enumerate() {
        let k = SeriesRule::default().k_factor(i + 3);
        assert!((k - c).abs() < 0.0006, "n {}: {k}, expected {c}", i + 3);
        assert!((k - p).abs() < 0.026, "n {}: {k}, printed {p}", i + 3);
    }
}

#[test]
fn the_noncentral_t_is_that_of_an_independent_program() {
    let Some(python) = python() else { return };
    let mut cases = Vec::new();
    for v in [1.0, 2.0, 4.0, 11.0, 60.0, 199.0] {
        for delta in [-1.5, 0.0, 0.8416, 2.5, 8.0] {
            for p in [0.05, 0.5, 0.8, 0.95] {
                cases.push((v, delta, p));
            }
        }
    }
    let rows: Vec<String> = cases.iter().map(|(v, d, p)| format!("({v},{d},{p})")).collect();
    let script = format!(
        "import scipy.stats as s\nfor v,d,p in [{}]:\n  q=s.nct.ppf(p,v,d)\n  print(repr(float(q)),repr(float(s.nct.cdf(q,v,d))))",
        rows.join(",")
    );
    let out = Command::new(python).args(["-c", &script]).output().expect("Python runs");
    assert!(out.status.success(), "{}", String::from_utf8_lossy(&out.stderr));
    let text = String::from_utf8(out.stdout).expect("numbers");
    for (line, (v, delta, p)) in text.lines().zip(&cases) {
        let mut numbers = line.split(' ').map(|x| x.parse::<f64>().expect("a number"));
        let (quantile, below) = (numbers.next().expect("quantile"), numbers.next().expect("probability"));
        let found = noncentral_t_below(quantile, *v, *delta);
        assert!((found - below).abs() < 1e-6, "ν {v} δ {delta}: {found}, expected {below}");
        let q = noncentral_t_quantile(*p, *v, *delta);
        assert!(
            (q - quantile).abs() < 1e-6 * quantile.abs().max(1.0),
            "ν {v} δ {delta} p {p}: {q}, expected {quantile}"
        );
    }
    assert_eq!(text.lines().count(), cases.len());
}

/// Without displacement it is Student's t: 0.975 at 2.776445 for four degrees of freedom (any table).
#[test]
fn without_displacement_it_is_students_t() {
    assert!((noncentral_t_below(2.776_445, 4.0, 0.0) - 0.975).abs() < 1e-7);
    assert!((noncentral_t_quantile(0.975, 1.0, 0.0) - 12.7062).abs() < 1e-3);
}

/// Binomial method: the strict numbers are 8, 14, 21, 27, 33 (computed from the binomial distribution); CISPR 16-4-3 (from
/// memory) prints 7, 14, 20, 26, 32, whose risk is a little over 20 %: 0.8^7 = 0.2097.
#[test]
fn binomial_numbers_keep_the_confidence() {
    let rule = SeriesRule::default();
    let found: Vec<usize> = (0..5).map(|c| rule.binomial_samples(c)).collect();
    assert_eq!(found, [8, 14, 21, 27, 33]);
}

/// Additional margin with a spread of 6 dB: CISPR 16-4-3 (from memory) prints 3.8, 2.5, 1.5, 0.7 dB for 3 to 6 samples.
#[test]
fn additional_margins_are_the_published_ones() {
    for (n, printed, computed) in [(3, 3.8, 3.76), (4, 2.5, 2.43), (5, 1.5, 1.47), (6, 0.7, 0.72)] {
        let found = SeriesRule::default().additional_margin_db(n, 6.0);
        assert!((found - computed).abs() < 0.006 && (found - printed).abs() < 0.08, "n {n}: {found}");
    }
    // One sample: 6·(0.8416 + 0.8416) dB.
    let one = SeriesRule::default().single_sample(10.1, 6.0);
    assert!((one.needed_margin_db - 10.099).abs() < 0.001);
    assert!((one.confidence - 0.8).abs() < 0.001);
}

/// A series of which exactly 80 % are within the limit is accepted one time in five by each method (by simulation; the
/// binomial method, whose numbers are whole, less often).
#[test]
fn a_series_on_the_edge_is_accepted_one_time_in_five() {
    let mut random = Random::new(11);
    let rule = SeriesRule::default();
    let (trials, n, sigma) = (6000, 5, 6.0);
    let k = rule.k_factor(n);
    let margin = rule.additional_margin_db(n, sigma);
    let (mut by_t, mut by_margin, mut by_count) = (0, 0, 0);
    for _ in 0..trials {
        let m: Vec<f64> = (0..14).map(|_| sigma * (0.841_621 + random.normal())).collect();
        let five = &m[..n];
        let mean = five.iter().sum::<f64>() / n as f64;
        let s = (five.iter().map(|x| (x - mean).powi(2)).sum::<f64>() / (n as f64 - 1.0)).sqrt();
        by_t += usize::from(mean - k * s >= 0.0);
        by_margin += usize::from(five.iter().all(|x| *x >= margin));
        by_count += usize::from(m.iter().filter(|x| **x < 0.0).count() <= 1);
    }
    let share = |count: usize| count as f64 / f64::from(trials);
    let error = 4.0 * (0.16 / f64::from(trials)).sqrt();
    assert!((share(by_t) - 0.2).abs() < error, "{}", share(by_t));
    assert!((share(by_margin) - 0.2).abs() < error, "{}", share(by_margin));
    assert!(share(by_count) < 0.2 + error && share(by_count) > 0.1, "{}", share(by_count));
}

#[test]
fn a_series_is_judged_by_all_methods() {
    let found = judge_series(&[3.1, 4.2, 2.8, 5.0, 3.6], SeriesRule::default(), 6.0).expect("judged");
    // By hand: mean 3.74, s 0.8820, k(5) 1.514.
    assert!((found.mean_margin_db - 3.74).abs() < 1e-9 && (found.standard_db - 0.8820).abs() < 1e-3);
    assert!((found.in_hand_db - (3.74 - 1.5144 * 0.8820)).abs() < 2e-3, "{}", found.in_hand_db);
    assert!(found.noncentral_t && !found.binomial && found.additional_margin && found.confidence > 0.99);
    assert!(judge_series(&[3.0], SeriesRule::default(), 6.0).unwrap_err().to_string().contains("1 samples"));
    assert!(judge_series(&[3.0, f64::NAN], SeriesRule::default(), 6.0).unwrap_err().to_string().contains("sample 2"));
    let rule = SeriesRule { share: 1.2, ..SeriesRule::default() };
    assert!(judge_series(&[3.0, 4.0], rule, 6.0).unwrap_err().to_string().contains("share: 1.2"));
    // More samples are asked for the nearer the series lies to the edge (0.84 standard deviations).
    let need = |m: f64| SeriesRule::default().samples_needed(m, 2.0, 0.8);
    assert!(need(1.0).is_none());
    assert!(need(2.5) > need(4.0) && need(4.0) >= Some(2), "{:?} {:?}", need(2.5), need(4.0));
}
