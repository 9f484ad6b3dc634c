//! The local web app: a thin HTTP layer over the workbench, with the built page inside.
//!
//! It listens on the loopback address only and answers only requests that name it as their host and, where a browser
//! says where a request comes from, come from its own page: a page elsewhere must not drive it.

mod backend;
mod campaign;
mod cause;
mod chance;
mod doubt;
mod fixes;
mod live;
mod locate;
mod log;
mod mains;
mod product;
mod proof;
mod ready;
mod scan;
mod sheets;
mod survey;
mod thin;
mod threshold;
mod timeline;
mod types;

use std::collections::HashMap;
use std::convert::Infallible;
use std::future::Future;
use std::io::Write as _;
use std::net::{Ipv4Addr, SocketAddr};
use std::ops::ControlFlow;
use std::path::PathBuf;
use std::sync::atomic::{AtomicBool, AtomicU64, Ordering};
use std::sync::{Arc, Mutex, PoisonError};
use std::time::{Duration, Instant};

use axum::Json;
use axum::body::Body;
use axum::extract::rejection::{JsonRejection, QueryRejection};
use axum::extract::{DefaultBodyLimit, Path, Query, Request, State};
use axum::http::{HeaderMap, HeaderValue, StatusCode, Uri, header};
use axum::middleware::{self, Next};
use axum::response::sse::{Event, KeepAlive, Sse};
use axum::response::{IntoResponse, Response};
use serde::Deserialize;
use tokio::io::AsyncWriteExt;
use tokio::sync::watch;
use tokio_stream::wrappers::WatchStream;
use tokio_stream::{Stream, StreamExt};
use utoipa::{IntoParams, OpenApi};
use utoipa_axum::router::OpenApiRouter;
use utoipa_axum::routes;

use backend::{Backend, Stopped};
pub(crate) use types::*;

/// The largest JSON body, bytes.
const MAX_JSON_BYTES: usize = 256 * 1024;
/// The largest file that is taken, bytes.
const MAX_UPLOAD_BYTES: u64 = 64 << 30;
/// How often the ledger is asked whether it has grown.
const POLL: Duration = Duration::from_secs(1);

#[derive(rust_embed::RustEmbed)]
#[folder = "../../web/dist/"]
#[allow_missing = true]
struct Web;

#[derive(OpenApi)]
#[openapi(
    info(title = "Hushfield", description = "The local server of a Hushfield project."),
    components(schemas(JobEvent, Changed))
)]
struct Document;

/// What all requests share.
struct Shared {
    backend: Backend,
    /// Where dropped files wait until they are measured or dismissed; emptied when the server ends.
    uploads: tempfile::TempDir,
    next: AtomicU64,
    jobs: Mutex<HashMap<String, JobHandle>>,
    revision: watch::Sender<u64>,
    live: live::Lives,
    verified: proof::Verified,
}

struct JobHandle {
    cancel: Arc<AtomicBool>,
    state: watch::Receiver<JobEvent>,
}

/// A refusal, with its HTTP status.
#[derive(Debug)]
struct Refusal(StatusCode, Problem);

impl Refusal {
    fn new(status: StatusCode, what: impl Into<String>, place: impl Into<String>, expected: impl Into<String>) -> Self {
        Self(status, Problem { what: what.into(), place: place.into(), expected: expected.into() })
    }

    fn missing(what: &str, id: &str) -> Self {
        Self::new(
            StatusCode::NOT_FOUND,
            format!("there is no {what} `{id}`"),
            "address",
            format!("the id of a {what} of this project"),
        )
    }

    fn ours(error: &dyn std::fmt::Display) -> Self {
        Self::new(StatusCode::INTERNAL_SERVER_ERROR, error.to_string(), "server", "")
    }
}

impl IntoResponse for Refusal {
    fn into_response(self) -> Response {
        (self.0, Json(self.1)).into_response()
    }
}

impl From<backend::Fault> for Refusal {
    fn from(fault: backend::Fault) -> Self {
        match fault {
            backend::Fault::Missing(problem) => Self(StatusCode::NOT_FOUND, problem),
            backend::Fault::Input(problem) => Self(StatusCode::UNPROCESSABLE_ENTITY, problem),
            backend::Fault::Ours(problem) => Self(StatusCode::INTERNAL_SERVER_ERROR, problem),
        }
    }
}

impl From<JsonRejection> for Refusal {
    fn from(rejection: JsonRejection) -> Self {
        Self::new(rejection.status(), rejection.body_text(), "body", "a JSON document as in /api/openapi.json")
    }
}

impl From<QueryRejection> for Refusal {
    fn from(rejection: QueryRejection) -> Self {
        Self::new(rejection.status(), rejection.body_text(), "query", "parameters as in /api/openapi.json")
    }
}

/// A JSON body or the reason why it is none.
type Sent<T> = Result<Json<T>, JsonRejection>;
/// Parameters or the reason why they are none.
type Asked<T> = Result<Query<T>, QueryRejection>;
type App = State<Arc<Shared>>;
type Answer<T> = Result<T, Refusal>;

/// Runs file and database work where it may block.
async fn blocking<T: Send + 'static>(work: impl FnOnce() -> Result<T, backend::Fault> + Send + 'static) -> Answer<T> {
    tokio::task::spawn_blocking(work).await.map_err(|e| Refusal::ours(&e))?.map_err(Refusal::from)
}

/// The product, its ports and how their tests stand.
#[utoipa::path(get, path = "/api/project", responses((status = 200, body = Overview), (status = 422, body = Problem)))]
async fn project(State(app): App) -> Answer<Json<Overview>> {
    blocking(move || app.backend.overview()).await.map(Json)
}

/// All runs, newest first.
#[utoipa::path(get, path = "/api/runs", responses((status = 200, body = [RunSummary]), (status = 422, body = Problem)))]
async fn runs(State(app): App) -> Answer<Json<Vec<RunSummary>>> {
    blocking(move || app.backend.runs()).await.map(Json)
}

/// One run.
#[utoipa::path(get, path = "/api/runs/{id}", params(("id" = String, Path)),
    responses((status = 200, body = Run), (status = 404, body = Problem), (status = 422, body = Problem)))]
async fn run(State(app): App, Path(id): Path<String>) -> Answer<Json<Run>> {
    blocking(move || app.backend.run(&id)).await.map(Json)
}

/// Levels: all frequencies in Hz, then all levels of each column asked for, as little-endian f64. NaN: no level there.
#[utoipa::path(get, path = "/api/runs/{id}/trace", params(("id" = String, Path), TraceQuery),
    responses((status = 200, body = Vec<u8>, content_type = "application/octet-stream"), (status = 400, body = Problem), (status = 404, body = Problem)))]
async fn trace(State(app): App, Path(id): Path<String>, query: Asked<TraceQuery>) -> Answer<Response> {
    let Query(query) = query?;
    let wrong = |found: &str| {
        Refusal::new(
            StatusCode::BAD_REQUEST,
            format!("no column `{found}`"),
            "columns",
            "indices of the run's columns, such as 0,2",
        )
    };
    let asked: Vec<usize> =
        query.columns.split(',').map(|c| c.trim().parse().map_err(|_| wrong(c))).collect::<Result<_, _>>()?;
    let data = blocking(move || {
        let (frequency_hz, columns) = app.backend.levels(&id)?;
        let range = thin::window(&frequency_hz, query.from_hz, query.to_hz);
        let Some(levels) = asked.iter().map(|&c| columns.get(c).map(|l| &l[range.clone()])).collect::<Option<Vec<_>>>()
        else {
            return Ok(None);
        };
        let frequency_hz = &frequency_hz[range];
        let kept = thin::thin(frequency_hz, &levels, query.pixels.unwrap_or(0) as usize);
        Ok(Some(thin::bytes(frequency_hz, &levels, &kept)))
    })
    .await?
    .ok_or_else(|| wrong(&query.columns))?;
    Ok(([(header::CONTENT_TYPE, "application/octet-stream")], data).into_response())
}

/// The levels of a run as a CSV file.
#[utoipa::path(get, path = "/api/runs/{id}/trace.csv", params(("id" = String, Path)),
    responses((status = 200, body = String, content_type = "text/csv"), (status = 404, body = Problem)))]
async fn trace_csv(State(app): App, Path(id): Path<String>) -> Answer<Response> {
    let name = file_safe(&id);
    let text = blocking(move || app.backend.trace_csv(&id)).await?;
    Ok(download("text/csv; charset=utf-8", &format!("run-{name}.csv"), text.into_bytes()))
}

#[derive(Debug, Deserialize, IntoParams)]
#[into_params(parameter_in = Query)]
struct ReportQuery {
    /// The run to report on; all of the project when not said.
    run: Option<String>,
}

/// The evidence as PDF.
#[utoipa::path(get, path = "/api/report.pdf", params(ReportQuery),
    responses((status = 200, body = Vec<u8>, content_type = "application/pdf"), (status = 404, body = Problem), (status = 422, body = Problem)))]
async fn report(State(app): App, query: Asked<ReportQuery>) -> Answer<Response> {
    let Query(query) = query?;
    let name = query.run.as_deref().map_or_else(|| "report.pdf".into(), |id| format!("run-{}.pdf", file_safe(id)));
    let pdf = blocking(move || app.backend.report(query.run.as_deref())).await?;
    Ok(download("application/pdf", &name, pdf))
}

/// The limit library with the project's own limits.
#[utoipa::path(get, path = "/api/limits", responses((status = 200, body = [Limit]), (status = 422, body = Problem)))]
async fn limits(State(app): App) -> Answer<Json<Vec<Limit>>> {
    blocking(move || app.backend.limits()).await.map(Json)
}

/// The chains of the project.
#[utoipa::path(get, path = "/api/chains", responses((status = 200, body = [ChainSummary]), (status = 422, body = Problem)))]
async fn chains(State(app): App) -> Answer<Json<Vec<ChainSummary>>> {
    blocking(move || app.backend.chains()).await.map(Json)
}

#[derive(Debug, Deserialize, IntoParams)]
#[into_params(parameter_in = Query)]
struct UploadQuery {
    /// The file's name; its ending tells its shape.
    name: String,
    /// An upload this file belongs to (the data beside its description).
    beside: Option<String>,
}

/// Takes a file, writing it to disk as it comes, and says what was understood of it. Nothing enters the project yet.
#[utoipa::path(post, path = "/api/uploads", params(UploadQuery), request_body(content = Vec<u8>, content_type = "application/octet-stream"),
    responses((status = 200, body = Understood), (status = 404, body = Problem), (status = 413, body = Problem), (status = 422, body = Problem)))]
async fn upload(State(app): App, query: Asked<UploadQuery>, body: Body) -> Answer<Json<Understood>> {
    let Query(query) = query?;
    let id = match query.beside {
        Some(id) => {
            app.upload_folder(&id)?;
            id
        }
        None => format!("u{}", app.next.fetch_add(1, Ordering::Relaxed)),
    };
    let name = file_safe(&query.name);
    let folder = app.uploads.path().join(&id);
    tokio::fs::create_dir_all(&folder).await.map_err(|e| Refusal::ours(&e))?;
    let path = folder.join(&name);
    if let Err(refusal) = receive_file(&path, body).await {
        let _ = tokio::fs::remove_file(&path).await;
        return Err(refusal);
    }
    understood(app, id, Choices::default()).await.map(Json)
}

async fn receive_file(path: &std::path::Path, body: Body) -> Answer<()> {
    let mut file = tokio::io::BufWriter::new(tokio::fs::File::create(path).await.map_err(|e| Refusal::ours(&e))?);
    let mut stream = body.into_data_stream();
    let mut total = 0_u64;
    while let Some(piece) = stream.next().await {
        let piece = piece.map_err(|e| {
            Refusal::new(StatusCode::BAD_REQUEST, format!("the file broke off: {e}"), "upload", "the whole file")
        })?;
        total += piece.len() as u64;
        if total > MAX_UPLOAD_BYTES {
            return Err(Refusal::new(
                StatusCode::PAYLOAD_TOO_LARGE,
                "the file is too large",
                "upload",
                "at most 64 GiB",
            ));
        }
        file.write_all(&piece).await.map_err(|e| Refusal::ours(&e))?;
    }
    file.flush().await.map_err(|e| Refusal::ours(&e))?;
    if total == 0 {
        return Err(Refusal::new(
            StatusCode::UNPROCESSABLE_ENTITY,
            "the file is empty",
            "upload",
            "a sweep or a capture",
        ));
    }
    Ok(())
}

/// Reads an uploaded file again, with these choices.
#[utoipa::path(post, path = "/api/uploads/{id}", params(("id" = String, Path)), request_body = Choices,
    responses((status = 200, body = Understood), (status = 404, body = Problem)))]
async fn understand(State(app): App, Path(id): Path<String>, choices: Sent<Choices>) -> Answer<Json<Understood>> {
    let Json(choices) = choices?;
    understood(app, id, choices).await.map(Json)
}

/// Dismisses an uploaded file.
#[utoipa::path(delete, path = "/api/uploads/{id}", params(("id" = String, Path)),
    responses((status = 204), (status = 404, body = Problem)))]
async fn dismiss(State(app): App, Path(id): Path<String>) -> Answer<StatusCode> {
    let folder = app.upload_folder(&id)?;
    tokio::fs::remove_dir_all(folder).await.map_err(|e| Refusal::ours(&e))?;
    Ok(StatusCode::NO_CONTENT)
}

async fn understood(app: Arc<Shared>, id: String, choices: Choices) -> Answer<Understood> {
    let path = app.upload_file(&id)?;
    blocking(move || {
        let name = path.file_name().map(|n| n.to_string_lossy().into_owned()).unwrap_or_default();
        let reading = app.backend.understand(&path, &choices);
        let bytes = std::fs::metadata(&path).map_or(0, |m| m.len());
        Ok(Understood {
            upload_id: id,
            name,
            bytes,
            kind: reading.kind,
            facts: reading.facts,
            questions: reading.questions,
            problem: reading.problem,
            choices,
        })
    })
    .await
}

/// Measures an uploaded file: levels, chain, verdict, ledger. Answers at once; the job's events tell how it goes on.
#[utoipa::path(post, path = "/api/measure", request_body = MeasureRequest,
    responses((status = 202, body = Job), (status = 404, body = Problem), (status = 422, body = Problem)))]
async fn measure(State(app): App, request: Sent<MeasureRequest>) -> Answer<(StatusCode, Json<Job>)> {
    let Json(request) = request?;
    let path = app.upload_file(&request.upload_id)?;
    let job = start_job(&app, move |app, tell| {
        let run_id = app.backend.measure(&path, &request, tell)?;
        if let Some(folder) = path.parent() {
            let _ = std::fs::remove_dir_all(folder);
        }
        if let Ok(revision) = app.backend.revision() {
            app.revision.send_replace(revision);
        }
        Ok(run_id)
    });
    Ok((StatusCode::ACCEPTED, Json(job)))
}

/// Begins long work that tells how it goes on and can be stopped. What it gives is told as the job's run; empty where it
/// made none.
fn start_job(
    app: &Arc<Shared>,
    work: impl FnOnce(&Shared, &mut backend::Tell<'_>) -> Result<String, Stopped> + Send + 'static,
) -> Job {
    let job_id = format!("j{}", app.next.fetch_add(1, Ordering::Relaxed));
    let cancel = Arc::new(AtomicBool::new(false));
    let (tell, state) = watch::channel(JobEvent::Working { fraction: None, left_s: None, stage: "starting".into() });
    app.jobs().insert(job_id.clone(), JobHandle { cancel: Arc::clone(&cancel), state });
    let app = Arc::clone(app);
    tokio::task::spawn_blocking(move || {
        let started = Instant::now();
        let outcome = work(&app, &mut |fraction, stage| {
            let elapsed = started.elapsed().as_secs_f64();
            // Too early a guess of the time left is worse than none.
            let left_s = fraction.filter(|f| *f > 0.02 && elapsed > 0.5).map(|f| elapsed * (1.0 - f) / f);
            tell.send_replace(JobEvent::Working { fraction, left_s, stage: stage.into() });
            if cancel.load(Ordering::Relaxed) { ControlFlow::Break(()) } else { ControlFlow::Continue(()) }
        });
        tell.send_replace(match outcome {
            Ok(run_id) => JobEvent::Done { run_id },
            Err(Stopped::Cancelled) => JobEvent::Cancelled,
            Err(Stopped::Fault(fault)) => JobEvent::Failed { problem: Refusal::from(fault).1 },
        });
    });
    Job { job_id }
}

/// How a job goes on, until it ends.
#[utoipa::path(get, path = "/api/jobs/{id}", params(("id" = String, Path)),
    responses((status = 200, body = JobEvent, content_type = "text/event-stream"), (status = 404, body = Problem)))]
async fn job_events(
    State(app): App,
    Path(id): Path<String>,
) -> Answer<Sse<impl Stream<Item = Result<Event, Infallible>>>> {
    let state = app.jobs().get(&id).map(|j| j.state.clone()).ok_or_else(|| Refusal::missing("job", &id))?;
    let mut ended = false;
    let events = WatchStream::new(state).take_while(move |event| {
        // The last event is told, and then no more.
        let go_on = !ended;
        ended = !matches!(event, JobEvent::Working { .. });
        go_on
    });
    Ok(sse(events))
}

/// Stops a job; nothing of it stays.
#[utoipa::path(delete, path = "/api/jobs/{id}", params(("id" = String, Path)),
    responses((status = 204), (status = 404, body = Problem)))]
async fn cancel(State(app): App, Path(id): Path<String>) -> Answer<StatusCode> {
    app.jobs().get(&id).map(|j| j.cancel.store(true, Ordering::Relaxed)).ok_or_else(|| Refusal::missing("job", &id))?;
    Ok(StatusCode::NO_CONTENT)
}

/// Tells whenever the ledger has grown, whoever wrote to it.
#[utoipa::path(get, path = "/api/changes", responses((status = 200, body = Changed, content_type = "text/event-stream")))]
async fn changes(State(app): App) -> Sse<impl Stream<Item = Result<Event, Infallible>>> {
    sse(WatchStream::new(app.revision.subscribe()).map(|revision| Changed { revision }))
}

fn sse<T: serde::Serialize>(
    events: impl Stream<Item = T> + Send + 'static,
) -> Sse<impl Stream<Item = Result<Event, Infallible>> + Send + 'static> {
    // Our own types always serialise; an event without data would tell the page nothing, so it is left out.
    Sse::new(events.filter_map(|e| Event::default().json_data(e).ok()).map(Ok)).keep_alive(KeepAlive::default())
}

impl Shared {
    fn jobs(&self) -> std::sync::MutexGuard<'_, HashMap<String, JobHandle>> {
        self.jobs.lock().unwrap_or_else(PoisonError::into_inner)
    }

    fn upload_folder(&self, id: &str) -> Answer<PathBuf> {
        // An id is ours or it is nothing: it never reaches the file system as a path.
        let known = id.strip_prefix('u').is_some_and(|n| !n.is_empty() && n.bytes().all(|b| b.is_ascii_digit()));
        let folder = self.uploads.path().join(id);
        if known && folder.is_dir() { Ok(folder) } else { Err(Refusal::missing("uploaded file", id)) }
    }

    /// The file to read: of a description and its data, the description.
    fn upload_file(&self, id: &str) -> Answer<PathBuf> {
        let mut files: Vec<PathBuf> = std::fs::read_dir(self.upload_folder(id)?)
            .map_err(|e| Refusal::ours(&e))?
            .filter_map(|e| e.ok().map(|e| e.path()))
            .collect();
        files.sort_by_key(|p| (p.extension().is_none_or(|e| e != "sigmf-meta"), p.clone()));
        files.into_iter().next().ok_or_else(|| Refusal::missing("uploaded file", id))
    }
}

/// The last part of a name, with nothing in it that a file system could take for more than a name.
fn file_safe(name: &str) -> String {
    let last = name.rsplit(['/', '\\']).next().unwrap_or_default();
    let clean: String =
        last.chars().map(|c| if c.is_control() || "<>:\"|?*".contains(c) { '_' } else { c }).take(200).collect();
    if clean.trim_matches(['.', ' ']).is_empty() { "file".into() } else { clean }
}

fn download(kind: &'static str, name: &str, data: Vec<u8>) -> Response {
    let ascii: String =
        name.chars().map(|c| if c.is_ascii_alphanumeric() || "-_.".contains(c) { c } else { '_' }).collect();
    (
        [
            (header::CONTENT_TYPE, kind.to_owned()),
            (header::CONTENT_DISPOSITION, format!("attachment; filename=\"{ascii}\"")),
        ],
        data,
    )
        .into_response()
}

/// The page and its parts.
async fn page(uri: Uri) -> Response {
    let path = uri.path().trim_start_matches('/');
    if path.starts_with("api/") {
        return Refusal::missing("interface", uri.path()).into_response();
    }
    let asked = if path.is_empty() { "index.html" } else { path };
    let Some(file) = Web::get(asked) else {
        return if asked == "index.html" {
            (StatusCode::SERVICE_UNAVAILABLE, "The page is not built: run `cargo xtask web`, then start again.\n")
                .into_response()
        } else {
            Refusal::missing("page", uri.path()).into_response()
        };
    };
    ([(header::CONTENT_TYPE, file.metadata.mimetype().to_owned())], file.data.into_owned()).into_response()
}

/// Lets through only what names this server as its host and comes from its own page, and says how long to keep what.
async fn guard(request: Request, next: Next) -> Response {
    if let Err(refusal) = own(request.headers()) {
        return refusal.into_response();
    }
    // Files under assets carry a hash of their content in their name, so they can be kept for ever.
    let keep = request.uri().path().starts_with("/assets/");
    let mut response = next.run(request).await;
    let kept = keep && response.status().is_success();
    let headers = response.headers_mut();
    headers.insert(
        header::CACHE_CONTROL,
        HeaderValue::from_static(if kept { "public, max-age=31536000, immutable" } else { "no-cache" }),
    );
    headers.insert(header::X_CONTENT_TYPE_OPTIONS, HeaderValue::from_static("nosniff"));
    headers.insert(header::REFERRER_POLICY, HeaderValue::from_static("no-referrer"));
    headers.insert(
        header::CONTENT_SECURITY_POLICY,
        HeaderValue::from_static(
            "default-src 'self'; style-src 'self' 'unsafe-inline'; img-src 'self' data:; frame-ancestors 'none'",
        ),
    );
    response
}

fn own(headers: &HeaderMap) -> Answer<()> {
    let local = |authority: &str| {
        let host = authority.rsplit_once(':').map_or(authority, |(host, _)| host);
        host == "127.0.0.1" || host.eq_ignore_ascii_case("localhost")
    };
    let text = |name| headers.get(name).map(|v: &HeaderValue| v.to_str().unwrap_or_default());
    let host = text(header::HOST).unwrap_or_default();
    if !local(host) {
        return Err(Refusal::new(
            StatusCode::FORBIDDEN,
            format!("the request names the host `{host}`"),
            "Host",
            "127.0.0.1 or localhost",
        ));
    }
    match text(header::ORIGIN) {
        Some(origin) if origin.strip_prefix("http://") != Some(host) => Err(Refusal::new(
            StatusCode::FORBIDDEN,
            format!("the request comes from `{origin}`"),
            "Origin",
            format!("http://{host}"),
        )),
        _ => Ok(()),
    }
}

fn api() -> OpenApiRouter<Arc<Shared>> {
    OpenApiRouter::with_openapi(Document::openapi())
        .routes(routes!(project))
        .routes(routes!(runs))
        .routes(routes!(run))
        .routes(routes!(trace))
        .routes(routes!(trace_csv))
        .routes(routes!(report))
        .routes(routes!(limits))
        .routes(routes!(chains))
        .routes(routes!(understand, dismiss))
        .routes(routes!(measure))
        .routes(routes!(job_events, cancel))
        .routes(routes!(changes))
        .merge(campaign::routes())
        .merge(sheets::routes())
        .merge(ready::routes())
        .merge(proof::routes())
        .merge(cause::routes())
        .merge(scan::routes())
        .merge(threshold::routes())
        .merge(locate::routes())
        .merge(log::routes())
        .merge(chance::routes())
        .merge(doubt::routes())
        .merge(fixes::routes())
        .merge(live::routes())
        .merge(timeline::routes())
        .merge(mains::routes())
        .merge(survey::routes())
        .merge(product::routes())
        .layer(DefaultBodyLimit::max(MAX_JSON_BYTES))
        .merge(OpenApiRouter::new().routes(routes!(upload)).layer(DefaultBodyLimit::disable()))
}

/// The description of the interface that `web/openapi.json` holds.
pub(crate) fn openapi() -> String {
    let mut document = api().into_openapi();
    // The document must not change with every release.
    document.info.version = "1".into();
    let mut text = document.to_pretty_json().unwrap_or_default();
    text.push('\n');
    text
}

/// A server that listens and has not yet begun to answer.
struct Server {
    listener: tokio::net::TcpListener,
    shared: Arc<Shared>,
}

impl Server {
    /// Opens the project in `dir` and listens on 127.0.0.1 at `port`; 0 takes a free one.
    async fn bind(dir: PathBuf, port: u16) -> anyhow::Result<Self> {
        let backend = Backend::new(dir);
        let (backend, revision) = tokio::task::spawn_blocking(move || {
            let revision = backend.revision();
            (backend, revision)
        })
        .await?;
        let revision = revision.map_err(|fault| {
            let Problem { what, place, expected } = Refusal::from(fault).1;
            if expected.is_empty() {
                anyhow::anyhow!("{place}: {what}")
            } else {
                anyhow::anyhow!("{place}: {what}; expected {expected}")
            }
        })?;
        let listener = tokio::net::TcpListener::bind((Ipv4Addr::LOCALHOST, port)).await?;
        let shared = Arc::new(Shared {
            backend,
            uploads: tempfile::Builder::new().prefix("hushfield-").tempdir()?,
            next: AtomicU64::new(1),
            jobs: Mutex::default(),
            revision: watch::channel(revision).0,
            live: live::Lives::default(),
            verified: proof::Verified::default(),
        });
        Ok(Self { listener, shared })
    }

    /// Where it listens.
    fn address(&self) -> std::io::Result<SocketAddr> {
        self.listener.local_addr()
    }

    /// Answers until `stop` is done; then cancels what is still being measured and removes what was uploaded.
    async fn run(self, stop: impl Future<Output = ()> + Send + 'static) -> std::io::Result<()> {
        let Self { listener, shared } = self;
        let poll = tokio::spawn(watch_ledger(Arc::clone(&shared)));
        let router = axum::Router::from(api())
            .route(
                "/api/openapi.json",
                axum::routing::get(|| async { ([(header::CONTENT_TYPE, "application/json")], openapi()) }),
            )
            .fallback(page)
            .layer(middleware::from_fn(guard))
            .with_state(Arc::clone(&shared));
        // Event streams never end by themselves, so the server does not wait for its connections to close.
        let outcome = tokio::select! {
            outcome = axum::serve(listener, router) => outcome,
            () = stop => Ok(()),
        };
        poll.abort();
        shared.live.stop();
        for job in shared.jobs().values() {
            job.cancel.store(true, Ordering::Relaxed);
        }
        let _ = std::fs::remove_dir_all(shared.uploads.path());
        outcome
    }
}

async fn watch_ledger(shared: Arc<Shared>) {
    let mut tick = tokio::time::interval(POLL);
    loop {
        tick.tick().await;
        let app = Arc::clone(&shared);
        if let Ok(Ok(now)) = tokio::task::spawn_blocking(move || app.backend.revision()).await {
            shared.revision.send_if_modified(|known| std::mem::replace(known, now) != now);
        }
    }
}

/// Serves the project in `dir` on 127.0.0.1 at `port` (0: a free one) until interrupted. The first line of standard
/// output is the address; with `open` it is opened in the browser too.
pub(crate) async fn serve(dir: PathBuf, port: u16, open: bool) -> anyhow::Result<()> {
    let server = Server::bind(dir, port).await?;
    let address = format!("http://{}/", server.address()?);
    {
        let mut out = std::io::stdout().lock();
        writeln!(out, "{address}")?;
        out.flush()?;
    }
    if open {
        show(&address);
    }
    let interrupted = async {
        // Where no signal can be waited for, the server ends with its process.
        if tokio::signal::ctrl_c().await.is_err() {
            std::future::pending::<()>().await;
        }
    };
    server.run(interrupted).await?;
    Ok(())
}

/// Opens an address in the browser, where there is one; the address was printed in any case.
fn show(address: &str) {
    let (program, arguments): (&str, &[&str]) = if cfg!(target_os = "windows") {
        ("cmd", &["/C", "start", ""])
    } else if cfg!(target_os = "macos") {
        ("open", &[])
    } else {
        ("xdg-open", &[])
    };
    let started = std::process::Command::new(program)
        .args(arguments)
        .arg(address)
        .stdin(std::process::Stdio::null())
        .stdout(std::process::Stdio::null())
        .stderr(std::process::Stdio::null())
        .spawn();
    if started.is_err() {
        eprintln!("no browser could be opened: open {address} yourself");
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn committed_document_is_in_step() {
        let path = concat!(env!("CARGO_MANIFEST_DIR"), "/../../web/openapi.json");
        let now = openapi();
        if std::env::var_os("UPDATE").is_some() {
            std::fs::write(path, &now).expect("web/openapi.json can be written");
        }
        let kept = std::fs::read_to_string(path).unwrap_or_default();
        assert!(kept == now, "web/openapi.json is stale: run `UPDATE=1 cargo test -p app server`");
    }

    #[test]
    fn only_its_own_page_is_let_in() {
        let with = |host: &str, origin: Option<&str>| {
            let mut h = HeaderMap::new();
            h.insert(header::HOST, host.parse().expect("a header value"));
            if let Some(o) = origin {
                h.insert(header::ORIGIN, o.parse().expect("a header value"));
            }
            own(&h).is_ok()
        };
        assert!(with("127.0.0.1:4000", None));
        assert!(with("localhost:4000", Some("http://localhost:4000")));
        assert!(!with("rebound.example:4000", None));
        assert!(!with("127.0.0.1:4000", Some("http://elsewhere.example")));
        assert!(!with("127.0.0.1:4000", Some("http://127.0.0.1:5000")));
        assert!(!with("127.0.0.1:4000", Some("null")));
        assert!(!with("127.0.0.1.elsewhere.example", None));
        assert!(own(&HeaderMap::new()).is_err());
    }

    #[test]
    fn a_name_stays_a_name() {
        assert_eq!(file_safe("../../etc/passwd"), "passwd");
        assert_eq!(file_safe("C:\\temp\\sweep 1.csv"), "sweep 1.csv");
        assert_eq!(file_safe(".."), "file");
        assert_eq!(file_safe(""), "file");
        assert_eq!(file_safe("a\0b\n.csv"), "a_b_.csv");
    }
}
