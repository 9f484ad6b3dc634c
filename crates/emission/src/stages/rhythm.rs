use serde::Serialize;

/// Shortest observation, s (CISPR 16-2-1, from memory).
const LEAST_S: f64 = 1.0;
/// Observation of a fluctuating disturbance, s (CISPR 16-2-1, from memory).
const FLUCTUATING_S: f64 = 15.0;
/// A level that moves by more than this fluctuates, dB: twice what a receiver's own reading scatters (CISPR 16-2-1 speaks of
/// a reading that is not steady, without a figure; this one is ours).
const STEADY_DB: f64 = 2.0;
/// So far under its highest an emission counts as off, dB.
const OFF_DB: f64 = 6.0;
/// Periods observed where one is like the other.
const LIKE_PERIODS: f64 = 3.0;
/// Periods observed where they differ: with this many, the highest one seen is among the upper fifth of all with 95 %
/// confidence, 1 − 0.8ⁿ ≥ 0.95 (distribution-free tolerance bound, Wilks 1941).
const DIFFERENT_PERIODS: f64 = 14.0;

/// How an emission behaves in time.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum RhythmKind {
    /// It stays within 2 dB.
    Steady,
    /// It moves, without stopping.
    Fluctuating,
    /// It comes and goes again and again.
    Repeating,
    /// It was seen to come or go, not often enough to tell a period.
    Intermittent,
}

/// What the survey's time structure says of one emission.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Rhythm {
    /// How it behaves.
    pub kind: RhythmKind,
    /// Length of the record, s.
    pub observed_s: f64,
    /// Between the highest and the lowest level (the lowest tenth left out), dB.
    pub spread_db: f64,
    /// Share of the time it is within 6 dB of its highest.
    pub on_share: f64,
    /// From one beginning to the next, median, s.
    pub period_s: Option<f64>,
    /// Longest distance between two beginnings, s.
    pub longest_period_s: Option<f64>,
    /// Beginnings seen.
    pub beginnings: usize,
    /// Standard deviation of the highest level of each on-time, dB.
    pub on_level_scatter_db: f64,
}

/// How long to observe.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Dwell {
    /// Seconds for one detector at one frequency.
    pub seconds: f64,
    /// Why.
    pub reason: String,
    /// True where nothing is known of the time structure.
    pub assumed: bool,
}

/// Reads the rhythm from levels (dB) in cells of time of `step_s` each; NaN cells have no level. Nothing where fewer than
/// eight cells have one.
pub fn rhythm(level_db: &[f64], step_s: f64) -> Option<Rhythm> {
    let mut sorted: Vec<f64> = level_db.iter().copied().filter(|l| l.is_finite()).collect();
    if sorted.len() < 8 || step_s.is_nan() || step_s <= 0.0 {
        return None;
    }
    sorted.sort_by(f64::total_cmp);
    let highest = sorted[sorted.len() - 1];
    let spread_db = highest - sorted[sorted.len() / 10];
    let on: Vec<bool> = level_db.iter().map(|l| *l >= highest - OFF_DB).collect();
    let on_share = on.iter().filter(|o| **o).count() as f64 / sorted.len() as f64;
    let mut starts: Vec<usize> = Vec::new();
    let mut tops: Vec<f64> = Vec::new();
    let mut was = on[0];
    if was {
        tops.push(level_db[0]);
    }
    for (i, &is) in on.iter().enumerate().skip(1) {
        if is && !was {
            starts.push(i);
            tops.push(level_db[i]);
        } else if is && let Some(top) = tops.last_mut() {
            *top = top.max(level_db[i]);
        }
        was = is;
    }
    let mut gaps: Vec<f64> = starts.windows(2).map(|w| (w[1] - w[0]) as f64 * step_s).collect();
    gaps.sort_by(f64::total_cmp);
    let mean = tops.iter().sum::<f64>() / tops.len().max(1) as f64;
    let scatter =
        (tops.iter().map(|t| (t - mean).powi(2)).sum::<f64>() / tops.len().saturating_sub(1).max(1) as f64).sqrt();
    let off = on.iter().any(|o| !o);
    let kind = if spread_db <= STEADY_DB && !off {
        RhythmKind::Steady
    } else if gaps.len() >= 2 {
        RhythmKind::Repeating
    } else if off {
        RhythmKind::Intermittent
    } else {
        RhythmKind::Fluctuating
    };
    let repeats = kind == RhythmKind::Repeating;
    Some(Rhythm {
        kind,
        observed_s: level_db.len() as f64 * step_s,
        spread_db,
        on_share,
        period_s: repeats.then(|| gaps[gaps.len() / 2]),
        longest_period_s: repeats.then(|| gaps[gaps.len() - 1]),
        beginnings: starts.len(),
        on_level_scatter_db: scatter,
    })
}

/// How long the final measurement has to dwell.
pub fn dwell(rhythm: Option<&Rhythm>) -> Dwell {
    let Some(r) = rhythm else {
        return Dwell {
            seconds: FLUCTUATING_S,
            reason: "the survey has no time structure: observed as if it fluctuated".to_owned(),
            assumed: true,
        };
    };
    let (seconds, reason) = match r.kind {
        RhythmKind::Steady if r.observed_s >= LEAST_S => {
            (LEAST_S, format!("steady within {:.1} dB over {:.2} s", r.spread_db, r.observed_s))
        }
        // A record shorter than the shortest observation proves no steadiness.
        RhythmKind::Steady => {
            (FLUCTUATING_S, format!("steady within {:.1} dB, but seen for {:.3} s only", r.spread_db, r.observed_s))
        }
        RhythmKind::Fluctuating => (FLUCTUATING_S, format!("it fluctuates by {:.1} dB", r.spread_db)),
        RhythmKind::Repeating => {
            let period = r.longest_period_s.unwrap_or(0.0);
            let alike = r.on_level_scatter_db <= 1.0;
            let periods = if alike { LIKE_PERIODS } else { DIFFERENT_PERIODS };
            (
                (periods * period).max(FLUCTUATING_S),
                format!(
                    "it comes every {:.3} s (at most {period:.3} s) and is there {:.0} % of the time; {}",
                    r.period_s.unwrap_or(0.0),
                    100.0 * r.on_share,
                    if alike {
                        format!("{LIKE_PERIODS} periods, for they are alike")
                    } else {
                        format!(
                            "{DIFFERENT_PERIODS} periods, for their levels scatter by {:.1} dB",
                            r.on_level_scatter_db
                        )
                    }
                ),
            )
        }
        RhythmKind::Intermittent => (
            // No longer pause than the record itself was seen; three times that is the rule-of-three bound: an event that
            // comes at random at least once in the record's length is missed with 5 %.
            (3.0 * r.observed_s).max(FLUCTUATING_S),
            format!(
                "it comes and goes ({:.0} % of {:.2} s) and its period is not known: three times what was seen, watch it longer \
                 where you can",
                100.0 * r.on_share,
                r.observed_s
            ),
        ),
    };
    Dwell { seconds, reason, assumed: false }
}
