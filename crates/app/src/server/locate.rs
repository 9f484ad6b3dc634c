//! Readings by hand on the page: decay of a near field, clamp current to field, modes, ringing, currents and limits.

use axum::Json;
use axum::extract::{Path, Query, State};
use cause::cable_field::{CableJudgement, Regime, against_limit, current_at_limit_dbua, field_of_cable};
use cause::mode::{bounds, with_clamp};
use cause::noise::{Readings, kind_from_bandwidths, kind_from_detectors};
use cause::probe::{NearSource, ProbeKind, fit_decay};
use serde::{Deserialize, Serialize};
use standards::Band;
use utoipa::{IntoParams, ToSchema};
use utoipa_axum::router::OpenApiRouter;
use utoipa_axum::routes;
use workbench::why_tables::{CURRENT_FREQUENCIES_HZ, RingingKnown, currents_of_product, ringing_of_run};

use super::backend::Fault;
use super::{Answer, App, Asked, Problem, Sent, Shared, blocking};

fn refused(place: &str, what: impl Into<String>, expected: &str) -> Fault {
    Fault::Input(Problem { what: what.into(), place: place.to_owned(), expected: expected.to_owned() })
}

fn above_zero(place: &str, value: f64) -> Result<f64, Fault> {
    if value.is_finite() && value > 0.0 {
        Ok(value)
    } else {
        Err(refused(place, format!("found {value}"), "a number above 0"))
    }
}

/// An answer to readings by hand, in sentences.
#[derive(Debug, Serialize, ToSchema)]
pub(crate) struct Said {
    /// The answer first, the formula with its range last.
    sentences: Vec<String>,
}

/// Readings of a probe at several distances.
#[derive(Debug, Deserialize, ToSchema)]
pub(crate) struct DecayRequest {
    /// `magnetic` or `electric`.
    probe: String,
    frequency_hz: f64,
    distance_m: Vec<f64>,
    level_db: Vec<f64>,
}

/// What a near field's decay points to.
#[utoipa::path(post, path = "/api/locate/decay", request_body = DecayRequest,
    responses((status = 200, body = Said), (status = 422, body = Problem)))]
async fn decay(sent: Sent<DecayRequest>) -> Answer<Json<Said>> {
    let Json(r) = sent?;
    let probe = match r.probe.as_str() {
        "magnetic" => ProbeKind::Magnetic,
        "electric" => ProbeKind::Electric,
        other => return Err(refused("probe", format!("found `{other}`"), "magnetic or electric").into()),
    };
    let f = above_zero("frequency", r.frequency_hz)?;
    let d = fit_decay(probe, f, &r.distance_m, &r.level_db, 1.0, 0.02)
        .map_err(|e| refused("readings", e.to_string(), "at least three distances, the farthest twice the nearest"))?;
    let named = |s: NearSource| match s {
        NearSource::Loop => "a small loop, magnetic (switching loop, transformer, choke)",
        NearSource::Node => "a node of changing voltage, electric (heat sink, stub)",
        NearSource::Pair => "a pair of conductors with current and return",
        NearSource::Wire => "a long wire with common-mode current (a cable)",
        NearSource::Wave => "radiation, or a large plate or slot",
    };
    let mut sentences: Vec<String> =
        d.sources.iter().filter(|s| s.1 > 0.02).map(|(s, p)| format!("{:.0} %: {}.", 100.0 * p, named(*s))).collect();
    sentences.push(format!(
        "The level falls with the distance to the power {:.2} (90 % interval {:.2} to {:.2}); the source lies about {:.1} cm behind \
         the probe's mark; the fit leaves {:.1} dB.",
        d.exponent,
        d.exponent_range.0,
        d.exponent_range.1,
        100.0 * d.offset_m,
        d.residual_db
    ));
    sentences.push(format!(
        "Level = a − 20·n·log(r + r0) with 1 dB of error a reading; elementary dipoles, nearer than λ/2π = {:.2} m (Balanis, \
         chapters 4 and 5).",
        d.transition_m
    ));
    Ok(Json(Said { sentences }))
}

#[derive(Debug, Deserialize, IntoParams)]
#[into_params(parameter_in = Query)]
struct CableQuery {
    /// Clamp reading, dBµA.
    current_dbua: f64,
    frequency_hz: f64,
    length_m: f64,
    distance_m: f64,
    /// Limit at that distance, dBµV/m.
    limit_dbuv_per_m: Option<f64>,
}

/// From a clamp reading to the field, as a band.
#[utoipa::path(get, path = "/api/locate/cable", params(CableQuery),
    responses((status = 200, body = Said), (status = 422, body = Problem)))]
async fn cable(query: Asked<CableQuery>) -> Answer<Json<Said>> {
    let Query(q) = query?;
    let (f, l) = (above_zero("frequency", q.frequency_hz)?, above_zero("length", q.length_m)?);
    let r = above_zero("distance", q.distance_m)?;
    let band = field_of_cable(q.current_dbua, f, l, r);
    let mut sentences = vec![format!(
        "Between {:.0} and {:.0} dBµV/m at {r} m, about {:.0}.",
        band.from_dbuv_per_m, band.to_dbuv_per_m, band.estimate_dbuv_per_m
    )];
    if let Some(limit) = q.limit_dbuv_per_m {
        sentences.push(
            match against_limit(&band, limit) {
                CableJudgement::Enough => "Even the upper end lies below the limit.",
                CableJudgement::Doubtful => "The limit lies in this band: only the field itself decides.",
                CableJudgement::TooMuch => "Even the lower end lies above the limit: this current is too much.",
            }
            .to_owned(),
        );
        sentences.push(format!("The estimate meets the limit at {:.1} dBµA.", current_at_limit_dbua(limit, f, l, r)));
    }
    sentences.push(
        match band.regime {
            Regime::Short => "E = 1.257·10⁻⁶·f·L·I/r, shorter than λ/π, over a reflecting floor (Ott).",
            Regime::Long => {
                "E = 120·I·F/r, longer than λ/π, the clamp moved to the largest current (Balanis, chapter 4)."
            }
        }
        .to_owned()
            + if band.near_field { " Nearer than λ/2π: the band is wider by 6 dB at each end." } else { "" },
    );
    Ok(Json(Said { sentences }))
}

#[derive(Debug, Deserialize, IntoParams)]
#[into_params(parameter_in = Query)]
struct ModesQuery {
    line_dbuv: f64,
    neutral_dbuv: f64,
    /// Clamp round both conductors, dBµA.
    clamp_dbua: Option<f64>,
}

/// Common and differential mode from line and neutral.
#[utoipa::path(get, path = "/api/locate/modes", params(ModesQuery),
    responses((status = 200, body = Said), (status = 422, body = Problem)))]
async fn modes(query: Asked<ModesQuery>) -> Answer<Json<Said>> {
    let Query(q) = query?;
    let b = bounds(q.line_dbuv, q.neutral_dbuv);
    let mut sentences = Vec::new();
    match q.clamp_dbua {
        Some(c) => {
            let m = with_clamp(q.line_dbuv, q.neutral_dbuv, c).ok_or_else(|| {
                let common = c + 20.0 * 25f64.log10();
                refused(
                    "clamp",
                    format!("{c} dBµA are a common mode of {common:.1} dBµV"),
                    &format!("one between {:.1} and {:.1} dBµV with these two readings", b.least_dbuv, b.most_dbuv),
                )
            })?;
            sentences.push(format!(
                "Common mode {:.1} dBµV ({:.1} dBµA in the earth), differential mode {:.1} dBµV ({:.1} dBµA in the loop).",
                m.common_dbuv, m.common_dbua, m.differential_dbuv, m.differential_dbua
            ));
        }
        None => {
            sentences.push(if b.least_dbuv.is_finite() {
                format!(
                    "Each mode lies between {:.1} and {:.1} dBµV, the larger is at least {:.1} dBµV.",
                    b.least_dbuv, b.most_dbuv, b.larger_at_least_dbuv
                )
            } else {
                format!(
                    "Neither mode is above {:.1} dBµV; the larger is at least {:.1} dBµV.",
                    b.most_dbuv, b.larger_at_least_dbuv
                )
            });
            sentences.push(
                "Which is which these two cannot tell, above all when they are equal: a clamp round both conductors can.".to_owned(),
            );
        }
    }
    sentences.push("V_CM = (V_L + V_N)/2, V_DM = (V_L − V_N)/2; I_CM = V_CM/25 Ω, I_DM = V_DM/50 Ω.".to_owned());
    Ok(Json(Said { sentences }))
}

#[derive(Debug, Deserialize, IntoParams)]
#[into_params(parameter_in = Query)]
struct NoiseQuery {
    frequency_hz: f64,
    peak_db: f64,
    quasi_peak_db: Option<f64>,
    average_db: Option<f64>,
    /// Bandwidth of the readings, Hz; none takes that of the band.
    bandwidth_hz: Option<f64>,
    /// Peak with another bandwidth, dB.
    other_peak_db: Option<f64>,
    other_bandwidth_hz: Option<f64>,
}

/// Narrowband, pulses or noise, from readings by hand.
#[utoipa::path(get, path = "/api/locate/noise", params(NoiseQuery),
    responses((status = 200, body = Said), (status = 422, body = Problem)))]
async fn noise(query: Asked<NoiseQuery>) -> Answer<Json<Said>> {
    let Query(q) = query?;
    let f = above_zero("frequency", q.frequency_hz)?;
    let bandwidth_hz = above_zero("bandwidth", q.bandwidth_hz.unwrap_or_else(|| cause::band_bandwidth_hz(f)))?;
    let band = Band::ALL.into_iter().find(|b| {
        let (from, to) = b.range_hz();
        (from..to).contains(&f)
    });
    let mut sentences = Vec::new();
    if let (Some(band), Some(_)) = (band, q.average_db) {
        let readings = Readings {
            peak_db: Some(q.peak_db),
            quasi_peak_db: q.quasi_peak_db,
            average_db: q.average_db,
            rms_db: None,
        };
        sentences.extend(kind_from_detectors(&readings, bandwidth_hz, band).why);
    }
    if let (Some(peak), Some(other)) = (q.other_peak_db, q.other_bandwidth_hz) {
        let other = above_zero("other bandwidth", other)?;
        match kind_from_bandwidths((bandwidth_hz, other), (q.peak_db, peak)) {
            Some(k) => sentences.extend(k.why),
            None => sentences.push("The bandwidths differ by less than a factor of 2: they tell nothing.".to_owned()),
        }
    }
    if sentences.is_empty() {
        return Err(refused("readings", "only a peak", "an average too, or the peak with another bandwidth").into());
    }
    Ok(Json(Said { sentences }))
}

#[derive(Debug, Deserialize, IntoParams)]
#[into_params(parameter_in = Query)]
struct RingingQuery {
    from_hz: f64,
    to_hz: f64,
    /// The capacitance that rings, F.
    capacitance_f: Option<f64>,
    /// Where it rings with a capacitor added across the switch, Hz.
    with_capacitor_hz: Option<f64>,
    /// That capacitor, F.
    added_f: Option<f64>,
}

/// The hump of a run between two frequencies and the parasitics that ring.
#[utoipa::path(get, path = "/api/runs/{id}/ringing", params(("id" = String, Path), RingingQuery),
    responses((status = 200, body = Said), (status = 404, body = Problem), (status = 422, body = Problem)))]
async fn ringing(State(app): App, Path(id): Path<String>, query: Asked<RingingQuery>) -> Answer<Json<Said>> {
    let Query(q) = query?;
    let dir = app.backend.dir();
    let known =
        RingingKnown { capacitance_f: q.capacitance_f, with_capacitor_hz: q.with_capacitor_hz, added_f: q.added_f };
    blocking(move || {
        let quiet = &mut |_: &workbench::Stage| std::ops::ControlFlow::Continue(());
        let r = ringing_of_run(&dir, &id, q.from_hz, q.to_hz, known, quiet)?;
        let mut sentences = vec![r.words];
        if r.inductance_h.is_none() {
            sentences.push(
                "With the capacitance of the node, or with the frequency at which it rings with a known capacitor across the \
                 switch, the inductance follows."
                    .to_owned(),
            );
        }
        sentences.push("|1/(1 − x² + jx/Q)|, x = f/f_r, on a straight background; L = 1/((2πf)²C), C = C_a/((f1/f2)² − 1).".to_owned());
        Ok(Said { sentences })
    })
    .await
    .map(Json)
}

/// What a cable may carry before a limit is met.
#[derive(Debug, Serialize, ToSchema)]
pub(crate) struct CurrentRow {
    cable: String,
    length_m: f64,
    limit: String,
    distance_m: f64,
    frequency_hz: f64,
    limit_dbuv_per_m: f64,
    /// Up to this nothing is to be feared, dBµA.
    enough_to_dbua: f64,
    meets_dbua: f64,
    /// From this it is too much for certain, dBµA.
    too_much_from_dbua: f64,
}

/// Which currents are too much for which limit.
#[utoipa::path(get, path = "/api/locate/currents", responses((status = 200, body = [CurrentRow]), (status = 422, body = Problem)))]
async fn currents(State(app): App) -> Answer<Json<Vec<CurrentRow>>> {
    let dir = app.backend.dir();
    blocking(move || {
        let rows = currents_of_product(&dir, &[], &CURRENT_FREQUENCIES_HZ)?;
        Ok(rows
            .into_iter()
            .map(|r| CurrentRow {
                cable: r.cable,
                length_m: r.length_m,
                limit: r.limit,
                distance_m: r.distance_m,
                frequency_hz: r.frequency_hz,
                limit_dbuv_per_m: r.limit_dbuv_per_m,
                enough_to_dbua: r.enough_to_dbua,
                meets_dbua: r.meets_dbua,
                too_much_from_dbua: r.too_much_from_dbua,
            })
            .collect())
    })
    .await
    .map(Json)
}

pub(super) fn routes() -> OpenApiRouter<std::sync::Arc<Shared>> {
    OpenApiRouter::new()
        .routes(routes!(decay))
        .routes(routes!(cable))
        .routes(routes!(modes))
        .routes(routes!(noise))
        .routes(routes!(ringing))
        .routes(routes!(currents))
}
