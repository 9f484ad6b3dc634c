//! Scans with a hand-held probe: pictures, readings at places on them, maps; and clamp readings.

use axum::Json;
use axum::body::Bytes;
use axum::extract::{DefaultBodyLimit, Path, Query, State};
use axum::http::header;
use axum::response::{IntoResponse, Response};
use project::{HandProbe, KeptReading, Spot};
use serde::{Deserialize, Serialize};
use utoipa::{IntoParams, ToSchema};
use utoipa_axum::router::OpenApiRouter;
use utoipa_axum::routes;
use workbench::scan::{
    self, NewReading, SCAN_CAUTION, enter_reading, keep_photo, keep_photo_bytes, photo_bytes, scan_of, withdraw_reading,
};

use super::backend::Fault;
use super::{Answer, App, Asked, Problem, Sent, Shared, blocking};

/// The largest picture that is taken, bytes.
const MAX_PHOTO_BYTES: usize = 64 << 20;

/// A frequency at which a picture was scanned.
#[derive(Debug, Serialize, ToSchema)]
pub(crate) struct ScannedAt {
    frequency_hz: f64,
    readings: usize,
}

/// A picture of the product.
#[derive(Debug, Serialize, ToSchema)]
pub(crate) struct PhotoView {
    /// Empty while the file lies in `photos/` only.
    id: String,
    name: String,
    /// Width in pixels, where the file says it.
    width: Option<u32>,
    height: Option<u32>,
    scanned: Vec<ScannedAt>,
}

/// The pictures, and what to mind.
#[derive(Debug, Serialize, ToSchema)]
pub(crate) struct PhotosView {
    photos: Vec<PhotoView>,
    caution: String,
}

/// A place on the map.
#[derive(Debug, Serialize, ToSchema)]
pub(crate) struct MapPlace {
    /// From the left, 0 to 1.
    x: f64,
    /// From the top, 0 to 1.
    y: f64,
    expected_db: f64,
    deviation_db: f64,
    /// Expected rise above the highest level so far, dB.
    gain_db: f64,
}

/// A reading.
#[derive(Debug, Serialize, ToSchema)]
pub(crate) struct ReadingView {
    /// Entry of the ledger.
    entry: u64,
    x: f64,
    y: f64,
    level_db: f64,
    distance_m: Option<f64>,
    orientation_deg: Option<f64>,
    remark: String,
}

/// A scan at one frequency.
#[derive(Debug, Serialize, ToSchema)]
pub(crate) struct ScanView {
    frequency_hz: f64,
    /// The probe whose readings are mapped: `magnetic`, `electric`, `clamp` or `other`.
    probe: Option<String>,
    /// Unit for people.
    unit: String,
    readings: Vec<ReadingView>,
    /// Readings that are not in the map, with the reason.
    left_out: Vec<String>,
    /// Points of the map from left to right.
    columns: usize,
    rows: usize,
    /// Expected levels, row by row from the top left, dB.
    map_db: Vec<f64>,
    /// Their standard deviations, dB.
    doubt_db: Vec<f64>,
    /// Above this deviation nothing is known.
    unknown_above_db: f64,
    highest: MapPlace,
    /// Where to hold the probe next; none when enough is known.
    next: Option<MapPlace>,
    largest_gain_db: f64,
    height_over_width: f64,
}

#[derive(Debug, Deserialize, IntoParams)]
#[into_params(parameter_in = Query)]
struct PhotoQuery {
    /// Name of the file.
    name: String,
}

#[derive(Debug, Deserialize, IntoParams)]
#[into_params(parameter_in = Query)]
struct ScanQuery {
    /// Frequency, Hz.
    frequency_hz: f64,
    /// `magnetic`, `electric`, `clamp` or `other`; none takes that of most readings.
    probe: Option<String>,
}

/// A picture by its name in `photos/`.
#[derive(Debug, Deserialize, ToSchema)]
pub(crate) struct PhotoChoice {
    name: String,
}

/// The id of a kept picture.
#[derive(Debug, Serialize, ToSchema)]
pub(crate) struct PhotoId {
    id: String,
}

/// A reading to be entered.
#[derive(Debug, Deserialize, ToSchema)]
pub(crate) struct ReadingRequest {
    /// The picture's id; none for a clamp on a cable.
    #[serde(default)]
    photo: Option<String>,
    #[serde(default)]
    x: f64,
    #[serde(default)]
    y: f64,
    frequency_hz: f64,
    /// None takes it from the run.
    #[serde(default)]
    level_db: Option<f64>,
    /// `dBuV`, `dBuA`, `dBm`, …
    #[serde(default)]
    unit: Option<String>,
    /// `magnetic`, `electric`, `clamp` or `other`.
    probe: String,
    #[serde(default)]
    cable: Option<String>,
    #[serde(default)]
    distance_m: Option<f64>,
    #[serde(default)]
    orientation_deg: Option<f64>,
    #[serde(default)]
    run: Option<String>,
    #[serde(default)]
    remark: String,
}

/// Where a reading stands.
#[derive(Debug, Serialize, ToSchema)]
pub(crate) struct EntryNumber {
    entry: u64,
}

/// Why a reading no longer counts.
#[derive(Debug, Deserialize, ToSchema)]
pub(crate) struct Reason {
    reason: String,
}

fn refused(place: &str, what: impl Into<String>, expected: &str) -> Fault {
    Fault::Input(Problem { what: what.into(), place: place.to_owned(), expected: expected.to_owned() })
}

fn probe(name: &str) -> Result<HandProbe, Fault> {
    Ok(match name {
        "magnetic" => HandProbe::Magnetic,
        "electric" => HandProbe::Electric,
        "clamp" => HandProbe::Clamp,
        "other" => HandProbe::Other,
        _ => return Err(refused("probe", format!("found `{name}`"), "magnetic, electric, clamp or other")),
    })
}

fn key(p: HandProbe) -> String {
    match p {
        HandProbe::Magnetic => "magnetic",
        HandProbe::Electric => "electric",
        HandProbe::Clamp => "clamp",
        HandProbe::Other => "other",
    }
    .to_owned()
}

fn place(n: cause::scan::NextTap) -> MapPlace {
    MapPlace { x: n.x, y: n.y, expected_db: n.expected_db, deviation_db: n.deviation_db, gain_db: n.gain_db }
}

fn reading(r: &KeptReading) -> Option<ReadingView> {
    let spot = r.reading.spot.as_ref()?;
    Some(ReadingView {
        entry: r.entry,
        x: spot.x,
        y: spot.y,
        level_db: r.reading.level_db,
        distance_m: r.reading.distance_m,
        orientation_deg: r.reading.orientation_deg,
        remark: r.reading.remark.clone(),
    })
}

/// The pictures of the product.
#[utoipa::path(get, path = "/api/photos", responses((status = 200, body = PhotosView), (status = 422, body = Problem)))]
async fn photos(State(app): App) -> Answer<Json<PhotosView>> {
    let dir = app.backend.dir();
    blocking(move || {
        let photos = scan::photos(&dir)?
            .into_iter()
            .map(|p| PhotoView {
                id: p.id,
                name: p.name,
                width: p.size.map(|s| s.0),
                height: p.size.map(|s| s.1),
                scanned: p
                    .scanned
                    .into_iter()
                    .map(|(frequency_hz, readings)| ScannedAt { frequency_hz, readings })
                    .collect(),
            })
            .collect();
        Ok(PhotosView { photos, caution: SCAN_CAUTION.to_owned() })
    })
    .await
    .map(Json)
}

/// Keeps a picture.
#[utoipa::path(post, path = "/api/photos", params(PhotoQuery), request_body(content = Vec<u8>, content_type = "application/octet-stream"),
    responses((status = 200, body = PhotoId), (status = 422, body = Problem)))]
async fn add_photo(State(app): App, query: Asked<PhotoQuery>, body: Bytes) -> Answer<Json<PhotoId>> {
    let Query(query) = query?;
    let dir = app.backend.dir();
    blocking(move || Ok(PhotoId { id: keep_photo_bytes(&dir, &query.name, &body)? })).await.map(Json)
}

/// Keeps a picture that lies in `photos/`.
#[utoipa::path(post, path = "/api/photos/kept", request_body = PhotoChoice,
    responses((status = 200, body = PhotoId), (status = 422, body = Problem)))]
async fn choose_photo(State(app): App, sent: Sent<PhotoChoice>) -> Answer<Json<PhotoId>> {
    let Json(sent) = sent?;
    let dir = app.backend.dir();
    blocking(move || {
        // Only what lies in the folder: no path leads out of it.
        let inside = !sent.name.contains(['/', '\\']) && sent.name != "..";
        if !inside {
            return Err(refused("name", format!("`{}`", sent.name), "a file in photos/"));
        }
        Ok(PhotoId { id: keep_photo(&dir, &sent.name)? })
    })
    .await
    .map(Json)
}

/// The picture itself.
#[utoipa::path(get, path = "/api/photos/{id}", params(("id" = String, Path)),
    responses((status = 200, body = Vec<u8>, content_type = "application/octet-stream"), (status = 404, body = Problem), (status = 422, body = Problem)))]
async fn photo(State(app): App, Path(id): Path<String>) -> Answer<Response> {
    let dir = app.backend.dir();
    let (name, bytes) = blocking(move || Ok(photo_bytes(&dir, &id)?)).await?;
    let kind = match name.rsplit('.').next().unwrap_or_default().to_lowercase().as_str() {
        "png" => "image/png",
        "jpg" | "jpeg" => "image/jpeg",
        "webp" => "image/webp",
        "gif" => "image/gif",
        "svg" => "image/svg+xml",
        _ => "application/octet-stream",
    };
    // A drawing is a document of its own: opened by itself it must run nothing.
    let lock = "default-src 'none'; style-src 'unsafe-inline'; img-src data:; sandbox";
    Ok((
        [
            (header::CONTENT_TYPE, kind),
            (header::CONTENT_SECURITY_POLICY, lock),
            (header::CACHE_CONTROL, "private, max-age=31536000, immutable"),
        ],
        bytes,
    )
        .into_response())
}

/// The scan of a picture at a frequency.
#[utoipa::path(get, path = "/api/photos/{id}/scan", params(("id" = String, Path), ScanQuery),
    responses((status = 200, body = ScanView), (status = 404, body = Problem), (status = 422, body = Problem)))]
async fn scanned(State(app): App, Path(id): Path<String>, query: Asked<ScanQuery>) -> Answer<Json<ScanView>> {
    let Query(query) = query?;
    let dir = app.backend.dir();
    blocking(move || {
        let chosen = query.probe.as_deref().filter(|p| !p.is_empty()).map(probe).transpose()?;
        let s = scan_of(&dir, &id, query.frequency_hz, chosen, 48)?;
        Ok(ScanView {
            frequency_hz: s.frequency_hz,
            probe: s.probe.map(key),
            unit: s.unit.map_or("dBµV", |u| u.symbol()).to_owned(),
            readings: s.readings.iter().filter_map(reading).collect(),
            left_out: s.left_out,
            columns: s.map.columns,
            rows: s.map.rows,
            map_db: s.map.level_db,
            doubt_db: s.map.deviation_db,
            unknown_above_db: s.map.unknown_above_db,
            highest: place(s.map.highest),
            next: s.map.next.map(place),
            largest_gain_db: s.map.largest_gain_db,
            height_over_width: s.height_over_width,
        })
    })
    .await
    .map(Json)
}

/// Enters a reading taken by hand.
#[utoipa::path(post, path = "/api/readings", request_body = ReadingRequest,
    responses((status = 200, body = EntryNumber), (status = 404, body = Problem), (status = 422, body = Problem)))]
async fn add_reading(State(app): App, sent: Sent<ReadingRequest>) -> Answer<Json<EntryNumber>> {
    let Json(sent) = sent?;
    let dir = app.backend.dir();
    blocking(move || {
        let unit = match sent.unit.as_deref().filter(|u| !u.is_empty()) {
            Some(u) => {
                Some(u.parse().map_err(|e: quantity::MixError| refused("unit", e.to_string(), "dBuV, dBuA, dBm, …"))?)
            }
            None => None,
        };
        let new = NewReading {
            spot: sent.photo.map(|photo| Spot { photo, x: sent.x, y: sent.y }),
            frequency_hz: sent.frequency_hz,
            level_db: sent.level_db,
            unit,
            probe: probe(&sent.probe)?,
            cable: sent.cable,
            distance_m: sent.distance_m,
            orientation_deg: sent.orientation_deg,
            run: sent.run,
            remark: sent.remark,
        };
        let entry = enter_reading(&dir, new, &mut |_| std::ops::ControlFlow::Continue(()))?;
        Ok(EntryNumber { entry })
    })
    .await
    .map(Json)
}

/// Takes a reading back; it stays in the ledger.
#[utoipa::path(post, path = "/api/readings/{entry}/withdrawal", params(("entry" = u64, Path)), request_body = Reason,
    responses((status = 200, body = EntryNumber), (status = 422, body = Problem)))]
async fn withdraw(State(app): App, Path(entry): Path<u64>, sent: Sent<Reason>) -> Answer<Json<EntryNumber>> {
    let Json(sent) = sent?;
    let dir = app.backend.dir();
    blocking(move || {
        withdraw_reading(&dir, entry, &sent.reason)?;
        Ok(EntryNumber { entry })
    })
    .await
    .map(Json)
}

pub(super) fn routes() -> OpenApiRouter<std::sync::Arc<Shared>> {
    OpenApiRouter::new()
        .routes(routes!(photos))
        .merge(OpenApiRouter::new().routes(routes!(add_photo)).layer(DefaultBodyLimit::max(MAX_PHOTO_BYTES)))
        .routes(routes!(choose_photo))
        .routes(routes!(photo))
        .routes(routes!(scanned))
        .routes(routes!(add_reading))
        .routes(routes!(withdraw))
}
