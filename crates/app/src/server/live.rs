//! Measuring while a record is still coming in: a growing file of the project's captures folder, or a TCP stream.

use std::collections::HashMap;
use std::convert::Infallible;
use std::sync::atomic::{AtomicBool, AtomicU8, Ordering};
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};
use std::time::Duration;

use axum::Json;
use axum::extract::{Path, State};
use axum::http::{StatusCode, header};
use axum::response::sse::{Event, Sse};
use axum::response::{IntoResponse, Response};
use formats::capture::{CaptureChoices, StreamFormat};
use formats::timeline_file::TimelineTable;
use receiver::Wish;
use serde::{Deserialize, Serialize};
use tokio::sync::watch;
use tokio_stream::wrappers::WatchStream;
use tokio_stream::{Stream, StreamExt};
use utoipa::ToSchema;
use utoipa_axum::router::OpenApiRouter;
use utoipa_axum::routes;
use workbench::{Following, LiveTrace, ReadingChoices, ReceiveChoices, Target};

use super::{Answer, App, Problem, Refusal, Sent, Shared, blocking, sse, thin, timeline};

/// Between two refreshes of what the page shows.
const REFRESH: Duration = Duration::from_millis(200);
/// Points of a trace on the page.
const PIXELS: usize = 500;

/// What is to be followed.
#[derive(Debug, Clone, Deserialize, ToSchema)]
pub(crate) struct LiveRequest {
    /// Name of a file in the project's captures folder, or `tcp://HOST:PORT`.
    target: String,
    /// Band: A, B, C, D or E.
    band: String,
    /// Samples a second, where the file does not say it; a stream never does.
    rate_hz: Option<f64>,
    /// Number format of a stream or a raw file: i8, i16, f32, …
    format: Option<String>,
    /// Pairs of real and imaginary part.
    #[serde(default)]
    complex: bool,
    /// Channels side by side in a stream.
    stream_channels: Option<usize>,
    /// Channel to measure, counted from 1.
    channel: Option<usize>,
    /// Volts for one unit of the numbers.
    volts_per_unit: Option<f64>,
    /// Radio frequency at 0 Hz of a complex record, Hz.
    centre_hz: Option<f64>,
}

/// A live measurement.
#[derive(Debug, Clone, Serialize, ToSchema)]
pub(crate) struct LiveStarted {
    live_id: String,
}

/// What may be wished of a live measurement.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Deserialize, ToSchema)]
#[serde(rename_all = "snake_case")]
pub(crate) enum LiveWish {
    /// Forget the highest levels and begin again from rest.
    StartAgain,
    /// End it.
    Stop,
}

#[derive(Debug, Clone, Deserialize, ToSchema)]
pub(crate) struct LiveOrder {
    wish: LiveWish,
}

/// Frames that were lost.
#[derive(Debug, Clone, Serialize, ToSchema)]
pub(crate) struct LiveLoss {
    /// When, s from the stream's beginning.
    at_s: f64,
    frames: u64,
}

/// One detector's levels so far.
#[derive(Debug, Clone, Serialize, ToSchema)]
pub(crate) struct LiveColumn {
    detector: String,
    level_db: Vec<Option<f64>>,
    floor_db: Vec<Option<f64>>,
}

/// The state of a live measurement.
#[derive(Debug, Clone, Default, Serialize, ToSchema)]
pub(crate) struct LiveState {
    /// `waiting`, `measuring`, `ended` or `failed`.
    state: String,
    /// Seconds measured, from rest.
    measured_s: f64,
    lost_frames: u64,
    /// The last losses, at most twenty.
    losses: Vec<LiveLoss>,
    /// Places at which something was lost.
    loss_count: usize,
    clipped_samples: u64,
    /// Frequencies, Hz, thinned to what can be drawn; no maximum is lost.
    frequency_hz: Vec<f64>,
    columns: Vec<LiveColumn>,
    /// What is known of the stream and of how it is measured.
    notes: Vec<String>,
    /// Counts the refreshes; the timeline is worth fetching again when it has moved.
    refresh: u64,
    problem: Option<Problem>,
}

/// A file that can be followed.
#[derive(Debug, Clone, Serialize, ToSchema)]
pub(crate) struct LiveFile {
    name: String,
    bytes: u64,
}

struct Handle {
    stop: Arc<AtomicBool>,
    wish: Arc<AtomicU8>,
    state: watch::Receiver<LiveState>,
    timeline: Arc<Mutex<Option<TimelineTable>>>,
}

/// The live measurements of the server.
#[derive(Default)]
pub(super) struct Lives(Mutex<HashMap<String, Handle>>);

impl Lives {
    fn all(&self) -> MutexGuard<'_, HashMap<String, Handle>> {
        self.0.lock().unwrap_or_else(PoisonError::into_inner)
    }

    /// Ends all of them.
    pub(super) fn stop(&self) {
        for handle in self.all().values() {
            handle.stop.store(true, Ordering::Relaxed);
        }
    }
}

fn state_of(live: &LiveTrace, refresh: u64, over: bool) -> LiveState {
    let trace = &live.trace;
    let levels: Vec<&[f64]> = trace.columns.iter().map(|c| c.level_db.as_slice()).collect();
    let kept = thin::thin(&trace.frequency_hz, &levels, PIXELS);
    let short = |values: &[f64]| -> Vec<Option<f64>> {
        if values.is_empty() {
            return Vec::new();
        }
        kept.iter().map(|&i| values[i]).map(|v| v.is_finite().then(|| (v * 100.0).round() / 100.0)).collect()
    };
    LiveState {
        state: if over { "ended" } else { "measuring" }.to_owned(),
        measured_s: live.measured_s,
        lost_frames: live.lost_frames,
        losses: live.losses.iter().rev().take(20).map(|&(at_s, frames)| LiveLoss { at_s, frames }).collect(),
        loss_count: live.losses.len(),
        clipped_samples: live.clipped_samples,
        frequency_hz: kept.iter().map(|&i| trace.frequency_hz[i]).collect(),
        columns: trace
            .columns
            .iter()
            .map(|c| LiveColumn {
                detector: c.detector.map(|d| d.key().to_owned()).unwrap_or_default(),
                level_db: short(&c.level_db),
                floor_db: short(&c.floor_db),
            })
            .collect(),
        notes: trace.history.clone(),
        refresh,
        problem: None,
    }
}

/// The files of the captures folder that can be followed, the one written last first.
#[utoipa::path(get, path = "/api/live/files", responses((status = 200, body = [LiveFile])))]
async fn live_files(State(app): App) -> Answer<Json<Vec<LiveFile>>> {
    blocking(move || {
        let mut found: Vec<_> = std::fs::read_dir(app.backend.dir().join("captures"))
            .into_iter()
            .flatten()
            .flatten()
            .filter_map(|entry| {
                let name = entry.file_name().to_string_lossy().into_owned();
                let meta = entry.metadata().ok().filter(std::fs::Metadata::is_file)?;
                let ending = name.rsplit('.').next().unwrap_or_default().to_ascii_lowercase();
                let follows = ["npy", "wav", "sigmf-data", "bin", "raw"].contains(&ending.as_str());
                follows.then(|| (meta.modified().ok(), LiveFile { name, bytes: meta.len() }))
            })
            .collect();
        found.sort_by_key(|f| std::cmp::Reverse(f.0));
        Ok(found.into_iter().map(|(_, file)| file).take(50).collect())
    })
    .await
    .map(Json)
}

/// Begins to follow a file of the captures folder or a TCP stream. Answers at once; the events show the traces.
#[utoipa::path(post, path = "/api/live", request_body = LiveRequest,
    responses((status = 202, body = LiveStarted), (status = 422, body = Problem)))]
async fn live_start(State(app): App, request: Sent<LiveRequest>) -> Answer<(StatusCode, Json<LiveStarted>)> {
    let Json(request) = request?;
    let wrong = |what: String, place: &str, expected: &str| {
        Refusal::new(StatusCode::UNPROCESSABLE_ENTITY, what, place, expected)
    };
    let band = request.band.parse().map_err(|e: String| wrong(e, "band", "A, B, C, D or E"))?;
    let data_type = request.format.as_deref().map(|f| crate::live_commands::data_type(f, request.complex));
    let target = if request.target.starts_with("tcp://") {
        let Some(data_type) = data_type.clone() else {
            return Err(wrong("a stream without a number format".into(), "format", "i8, i16, f32 or another"));
        };
        Target::Tcp(
            request.target.clone(),
            StreamFormat {
                data_type,
                complex: request.complex,
                channels: request.stream_channels.unwrap_or(1),
                ring_bytes: None,
            },
        )
    } else {
        // A name and nothing else: it never leads out of the folder.
        let name = super::file_safe(&request.target);
        if name != request.target {
            return Err(wrong(format!("`{}`", request.target), "target", "a file name, or tcp://HOST:PORT"));
        }
        Target::File(app.backend.dir().join("captures").join(name))
    };
    let choices = ReadingChoices {
        capture: CaptureChoices {
            rate_hz: request.rate_hz,
            volts_per_unit: request.volts_per_unit,
            centre_hz: request.centre_hz,
            data_type: if matches!(target, Target::File(_)) { data_type } else { None },
            complex: request.complex.then_some(true),
            ..CaptureChoices::default()
        },
        receive: ReceiveChoices { band: Some(band), channel: request.channel, ..ReceiveChoices::default() },
        ..ReadingChoices::default()
    };
    let following = blocking(move || Ok(Following::open(&target, &choices)?)).await?;
    let live_id = format!("l{}", app.next.fetch_add(1, Ordering::Relaxed));
    let waiting = LiveState { state: "waiting".into(), ..LiveState::default() };
    let (tell, state) = watch::channel(waiting);
    let handle = Handle { stop: following.stop(), wish: Arc::default(), state, timeline: Arc::default() };
    let (wish, kept, stop) = (Arc::clone(&handle.wish), Arc::clone(&handle.timeline), following.stop());
    app.live.all().insert(live_id.clone(), handle);
    let measure = move || {
        let mut refresh = 0;
        let keep = |live: &LiveTrace| {
            if let Some(t) = &live.timeline {
                *kept.lock().unwrap_or_else(PoisonError::into_inner) = Some(t.clone());
            }
        };
        let end = following.run(REFRESH, &mut |live| {
            refresh += 1;
            keep(live);
            tell.send_replace(state_of(live, refresh, false));
            if stop.load(Ordering::Relaxed) {
                Wish::Stop
            } else if wish.swap(0, Ordering::Relaxed) > 0 {
                Wish::StartAgain
            } else {
                Wish::GoOn
            }
        });
        match end {
            Ok(live) => {
                keep(&live);
                tell.send_replace(state_of(&live, refresh + 1, true));
            }
            Err(error) => {
                let problem = Refusal::from(super::backend::Fault::from(error)).1;
                tell.send_modify(|s| {
                    s.state = "failed".into();
                    s.problem = Some(problem);
                });
            }
        }
    };
    // Its own thread: it lasts as long as the stream does.
    std::thread::Builder::new().name("live".into()).spawn(measure).map_err(|e| Refusal::ours(&e))?;
    Ok((StatusCode::ACCEPTED, Json(LiveStarted { live_id })))
}

/// The traces so far, several times a second, until the measurement ends.
#[utoipa::path(get, path = "/api/live/{id}/events", params(("id" = String, Path)),
    responses((status = 200, body = LiveState, content_type = "text/event-stream"), (status = 404, body = Problem)))]
async fn live_events(
    State(app): App,
    Path(id): Path<String>,
) -> Answer<Sse<impl Stream<Item = Result<Event, Infallible>>>> {
    let state =
        app.live.all().get(&id).map(|h| h.state.clone()).ok_or_else(|| Refusal::missing("live measurement", &id))?;
    let mut ended = false;
    let events = WatchStream::new(state).take_while(move |event| {
        // The last event is told, and then no more.
        let go_on = !ended;
        ended = event.state == "ended" || event.state == "failed";
        go_on
    });
    Ok(sse(events))
}

/// Begins again from rest, or ends it.
#[utoipa::path(post, path = "/api/live/{id}", params(("id" = String, Path)), request_body = LiveOrder,
    responses((status = 204), (status = 404, body = Problem)))]
async fn live_order(State(app): App, Path(id): Path<String>, order: Sent<LiveOrder>) -> Answer<StatusCode> {
    let Json(order) = order?;
    let all = app.live.all();
    let handle = all.get(&id).ok_or_else(|| Refusal::missing("live measurement", &id))?;
    match order.wish {
        LiveWish::StartAgain => handle.wish.store(1, Ordering::Relaxed),
        LiveWish::Stop => handle.stop.store(true, Ordering::Relaxed),
    }
    Ok(StatusCode::NO_CONTENT)
}

/// Peak level against time so far, in the form of a run's timeline.
#[utoipa::path(get, path = "/api/live/{id}/timeline", params(("id" = String, Path)),
    responses((status = 200, body = Vec<u8>, content_type = "application/octet-stream"), (status = 404, body = Problem)))]
async fn live_timeline(State(app): App, Path(id): Path<String>) -> Answer<Response> {
    let kept = app.live.all().get(&id).map(|h| Arc::clone(&h.timeline));
    let kept = kept.ok_or_else(|| Refusal::missing("live measurement", &id))?;
    let data = kept.lock().unwrap_or_else(PoisonError::into_inner).as_ref().map_or_else(Vec::new, timeline::bytes);
    Ok(([(header::CONTENT_TYPE, "application/octet-stream")], data).into_response())
}

pub(super) fn routes() -> OpenApiRouter<Arc<Shared>> {
    OpenApiRouter::new()
        .routes(routes!(live_files))
        .routes(routes!(live_start))
        .routes(routes!(live_events))
        .routes(routes!(live_order))
        .routes(routes!(live_timeline))
}
