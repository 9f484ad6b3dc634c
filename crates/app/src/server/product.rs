//! What is it? `product.toml` as a form: its fields with their explanations, what is still to be answered, and saving that
//! refuses rather than loses.

use std::path::Path;
use std::sync::{Arc, Mutex, PoisonError};

use axum::Json;
use axum::extract::State;
use axum::http::StatusCode;
use axum::response::{IntoResponse, Response};
use campaign::{Plan, difference};
use project::{FieldGroup, FieldKind, Product, ProductRefusal, ProductText, Project, product_fields};
use serde::{Deserialize, Serialize};
use serde_json::Value;
use standards::Port;
use utoipa::ToSchema;
use utoipa_axum::router::OpenApiRouter;
use utoipa_axum::routes;
use workbench::planning_of;

use super::backend::Fault;
use super::{App, Problem, Refusal, Sent, Shared, blocking};

/// Tests named when the plan changes.
const NAMED: usize = 4;

/// Two pages of one server never compare and write at the same time.
static SAVING: Mutex<()> = Mutex::new(());

/// A heading of the form.
#[derive(Debug, Serialize, ToSchema)]
pub(crate) struct FormGroup {
    /// Unique name.
    id: String,
    /// Heading.
    title: String,
    /// Table in the file; empty for the top.
    table: String,
    /// Whether it is a list of entries.
    list: bool,
    /// What one entry is called.
    entry: String,
    /// What its fields are for.
    intro: String,
    /// What can hurt someone here.
    caution: String,
    /// Its fields.
    fields: Vec<FormField>,
}

/// One field of the form.
#[derive(Debug, Serialize, ToSchema)]
pub(crate) struct FormField {
    /// Key in the file.
    key: String,
    /// Name for people.
    label: String,
    /// `text`, `long_text`, `number`, `truth`, `choice` or `texts`.
    kind: String,
    /// Unit of a number.
    unit: String,
    /// What it takes, in words.
    expected: String,
    /// What it is and why it is asked.
    what: String,
    /// Which tests or figures it moves.
    moves: String,
    /// A value, as in the file.
    example: String,
    /// What can hurt someone here.
    caution: String,
    /// Words it may hold, or that are offered.
    choices: Vec<FormChoice>,
    /// Of a port: the kinds it is asked of; empty for all.
    ports: Vec<String>,
}

/// A word a field may hold.
#[derive(Debug, Serialize, ToSchema)]
pub(crate) struct FormChoice {
    /// In the file.
    key: String,
    /// For people.
    text: String,
}

/// Something wrong with one field.
#[derive(Debug, Clone, Serialize, ToSchema)]
pub(crate) struct FieldProblem {
    /// The field as in the file, e.g. `ports[2].kind`; empty where the file as a whole is meant.
    field: String,
    /// Line of the file, from 1; 0 where no file is meant.
    line: u32,
    /// What was found.
    what: String,
    /// What was expected.
    expected: String,
}

/// Something that is not answered yet.
#[derive(Debug, Serialize, ToSchema)]
pub(crate) struct AskedField {
    /// Where the answer goes, e.g. `ports.sensors.outdoors`.
    field: String,
    /// The question.
    text: String,
    /// Tests that hang on it.
    tests: u32,
    /// Whether the answer moves tests in or out of the plan.
    moves_plan: bool,
}

/// `product.toml` as it is on the disk.
#[derive(Debug, Serialize, ToSchema)]
pub(crate) struct ProductPage {
    /// Where the file is.
    file: String,
    /// To be given back when saving.
    fingerprint: String,
    /// Its text.
    text: String,
    /// What it says, with the keys of the file; absent where it cannot be read.
    #[schema(value_type = Option<Object>)]
    answers: Option<Value>,
    /// Why it cannot be read.
    problems: Vec<FieldProblem>,
    /// Keys that are not known; they are kept.
    warnings: Vec<FieldProblem>,
    /// What is not answered, in the order in which it moves the plan.
    asked: Vec<AskedField>,
    /// Tests of the plan; absent where there is none.
    tests: Option<u32>,
    /// Why there is no plan.
    plan_problem: Option<Problem>,
}

/// What a change does to the plan.
#[derive(Debug, PartialEq, Eq, Serialize, ToSchema)]
pub(crate) struct PlanChange {
    /// Tests that come in.
    added: u32,
    /// Tests that fall away.
    removed: u32,
    /// Tests that take another level, range or criterion.
    changed: u32,
    /// Tests that were open and now certainly apply.
    settled: u32,
    /// Tests afterwards.
    tests: u32,
    /// Some of them, in words.
    named: Vec<String>,
}

/// Answers to be saved.
#[derive(Debug, Deserialize, ToSchema)]
pub(crate) struct SaveProduct {
    /// As it was read.
    fingerprint: String,
    /// With the keys of the file.
    #[schema(value_type = Object)]
    answers: Value,
}

/// A text to be saved.
#[derive(Debug, Deserialize, ToSchema)]
pub(crate) struct SaveProductText {
    /// As it was read.
    fingerprint: String,
    /// The whole file.
    text: String,
}

/// Answers to be tried.
#[derive(Debug, Deserialize, ToSchema)]
pub(crate) struct TryProduct {
    /// With the keys of the file.
    #[schema(value_type = Object)]
    answers: Value,
}

/// What came of saving.
#[derive(Debug, Serialize, ToSchema)]
pub(crate) struct SavedProduct {
    /// The file as it is now.
    page: ProductPage,
    /// What it did to the plan; absent where there was no plan before or there is none now.
    change: Option<PlanChange>,
}

/// What would come of saving.
#[derive(Debug, Serialize, ToSchema)]
pub(crate) struct TriedProduct {
    /// Why it would be refused.
    problems: Vec<FieldProblem>,
    /// What it would do to the plan.
    change: Option<PlanChange>,
    /// What would still be asked.
    asked: Vec<AskedField>,
}

/// Answers that are not taken.
#[derive(Debug, Serialize, ToSchema)]
pub(crate) struct ProductRefused {
    /// What was found.
    what: String,
    /// Where.
    #[serde(rename = "where")]
    place: String,
    /// What was expected.
    expected: String,
    /// Each with its field.
    problems: Vec<FieldProblem>,
}

/// The file is not the one that was read.
#[derive(Debug, Serialize, ToSchema)]
pub(crate) struct ProductConflict {
    /// What was found.
    what: String,
    /// Where.
    #[serde(rename = "where")]
    place: String,
    /// What was expected.
    expected: String,
    /// The file as it is now.
    now: ProductPage,
}

/// Why nothing was saved.
#[derive(Debug)]
enum NotSaved {
    Plain(Refusal),
    Answers(ProductRefused),
    Changed(Box<ProductConflict>),
}

impl From<Refusal> for NotSaved {
    fn from(refusal: Refusal) -> Self {
        Self::Plain(refusal)
    }
}

impl From<project::ProjectError> for NotSaved {
    fn from(error: project::ProjectError) -> Self {
        Self::Plain(Refusal::from(Fault::from(error)))
    }
}

impl IntoResponse for NotSaved {
    fn into_response(self) -> Response {
        match self {
            Self::Plain(refusal) => refusal.into_response(),
            Self::Answers(refused) => (StatusCode::UNPROCESSABLE_ENTITY, Json(refused)).into_response(),
            Self::Changed(conflict) => (StatusCode::CONFLICT, Json(*conflict)).into_response(),
        }
    }
}

fn problem(p: &project::Problem) -> FieldProblem {
    FieldProblem {
        field: p.field.clone(),
        line: u32::try_from(p.line).unwrap_or(u32::MAX),
        what: p.what.clone(),
        expected: p.expected.clone(),
    }
}

fn group(g: &FieldGroup) -> FormGroup {
    FormGroup {
        id: g.id.clone(),
        title: g.title.clone(),
        table: g.table.clone(),
        list: g.list,
        entry: g.entry.clone(),
        intro: g.intro.clone(),
        caution: g.caution.clone(),
        fields: g
            .fields
            .iter()
            .map(|f| FormField {
                key: f.key.clone(),
                label: f.label.clone(),
                kind: match f.kind {
                    FieldKind::Text => "text",
                    FieldKind::LongText => "long_text",
                    FieldKind::Number => "number",
                    FieldKind::Truth => "truth",
                    FieldKind::Choice => "choice",
                    FieldKind::Texts => "texts",
                }
                .to_owned(),
                unit: f.unit.clone(),
                expected: f.expected(),
                what: f.what.clone(),
                moves: f.moves.clone(),
                example: f.example.clone(),
                caution: f.caution.clone(),
                choices: f.choices.iter().map(|c| FormChoice { key: c.key.clone(), text: c.text.clone() }).collect(),
                ports: f.ports.clone(),
            })
            .collect(),
    }
}

/// The plan of a product, or why there is none.
fn plan_of(dir: &Path, product: &Product) -> Result<Plan, Problem> {
    planning_of(dir, product).map(|p| p.plan).map_err(|e| Refusal::from(Fault::from(e)).1)
}

fn change(before: &Plan, after: &Plan) -> PlanChange {
    let d = difference(before, after);
    let count = |n: usize| u32::try_from(n).unwrap_or(u32::MAX);
    let words = |sign: &str, t: &campaign::PlannedTest| format!("{sign} {} at {}", t.phenomenon.name(), t.port_name);
    let harder = |old: &campaign::PlannedTest, new: &campaign::PlannedTest| {
        (&old.level, &old.frequency_hz, &old.criterion) != (&new.level, &new.frequency_hz, &new.criterion)
    };
    let mut named: Vec<String> = d.added.iter().map(|t| words("+", t)).collect();
    named.extend(d.removed.iter().map(|(t, _)| words("−", t)));
    named.extend(d.changed.iter().filter(|(old, new)| harder(old, new)).map(|(_, t)| words("≈", t)));
    named.dedup();
    named.truncate(NAMED);
    PlanChange {
        added: count(d.added.len()),
        removed: count(d.removed.len()),
        changed: count(d.changed.iter().filter(|(old, new)| harder(old, new)).count()),
        settled: count(d.changed.iter().filter(|(old, new)| !old.unless.is_empty() && new.unless.is_empty()).count()),
        tests: count(after.tests.len()),
        named,
    }
}

/// Whether a field is answered; `table` is empty for the top.
fn answered(answers: &Value, table: &str, key: &str) -> bool {
    let value = if table.is_empty() { &answers[key] } else { &answers[table][key] };
    match value {
        Value::Null => false,
        Value::String(text) => !text.trim().is_empty(),
        Value::Array(list) => !list.is_empty(),
        _ => true,
    }
}

/// What is missing: first what moves the plan, in the planner's order; then what is needed to carry it out.
fn asked(product: &Product, plan: Option<&Plan>) -> Vec<AskedField> {
    let mut list = Vec::new();
    let count = |n: usize| u32::try_from(n).unwrap_or(u32::MAX);
    if product.ports.iter().all(|p| p.kind == Port::Enclosure) {
        list.push(AskedField {
            field: "ports".to_owned(),
            text: "which cables leave it? Without ports only the housing is planned".to_owned(),
            tests: 0,
            moves_plan: true,
        });
    }
    for q in plan.iter().flat_map(|p| &p.questions) {
        list.push(AskedField {
            field: q.question.field.clone(),
            text: q.question.text.clone(),
            tests: count(q.tests),
            moves_plan: true,
        });
    }
    let answers = serde_json::to_value(product).unwrap_or_default();
    let mut needed = Vec::new();
    for group in product_fields().iter().filter(|g| !g.list) {
        for field in group.fields.iter().filter(|f| !f.wanted.is_empty()) {
            if answered(&answers, &group.table, &field.key) {
                continue;
            }
            let judged = |letter: &str| {
                let tests = plan.map_or(&[][..], |p| &p.tests);
                tests.iter().filter(|t| t.criterion.as_deref().is_some_and(|c| c.starts_with(letter))).count()
            };
            let tests = if group.table == "criteria" { judged(&field.key.to_uppercase()) } else { 0 };
            let place = if group.table.is_empty() { String::new() } else { format!("{}.", group.table) };
            needed.push(AskedField {
                field: format!("{place}{}", field.key),
                text: field.wanted.clone(),
                tests: count(tests),
                moves_plan: false,
            });
        }
    }
    needed.sort_by_key(|a| std::cmp::Reverse(a.tests));
    list.extend(needed);
    list
}

fn page(dir: &Path, file: ProductText) -> ProductPage {
    let path = dir.canonicalize().unwrap_or_else(|_| dir.to_path_buf()).join("product.toml");
    let mut page = ProductPage {
        file: path.display().to_string(),
        fingerprint: file.fingerprint,
        answers: None,
        problems: Vec::new(),
        warnings: Vec::new(),
        asked: Vec::new(),
        tests: None,
        plan_problem: None,
        text: file.text,
    };
    match Product::read(&page.text, "product.toml") {
        Err(error) => page.problems = error.problems.iter().map(problem).collect(),
        Ok(reading) => {
            let plan = plan_of(dir, &reading.product);
            page.warnings = reading.warnings.iter().map(problem).collect();
            page.asked = asked(&reading.product, plan.as_ref().ok());
            page.answers = serde_json::to_value(&reading.product).ok();
            match plan {
                Ok(plan) => page.tests = Some(u32::try_from(plan.tests.len()).unwrap_or(u32::MAX)),
                Err(why) => page.plan_problem = Some(why),
            }
        }
    }
    page
}

fn refused(dir: &Path, refusal: ProductRefusal) -> NotSaved {
    match refusal {
        ProductRefusal::Changed { now } => NotSaved::Changed(Box::new(ProductConflict {
            what: "the file was changed by somebody else since this page read it; nothing was written".to_owned(),
            place: "product.toml".to_owned(),
            expected: "the file as it was read".to_owned(),
            now: page(dir, now),
        })),
        ProductRefusal::Answers { problems } => {
            let first = problems.first();
            NotSaved::Answers(ProductRefused {
                what: first.map_or_else(String::new, |p| p.what.clone()),
                place: first.map_or_else(String::new, |p| p.field.clone()),
                expected: first.map_or_else(String::new, |p| p.expected.clone()),
                problems: problems.iter().map(problem).collect(),
            })
        }
        ProductRefusal::Project(error) => error.into(),
    }
}

/// Saves by the given way and says what it did to the plan.
fn save(
    dir: &Path,
    write: impl FnOnce(&mut Project) -> Result<ProductText, ProductRefusal>,
) -> Result<SavedProduct, NotSaved> {
    let _one_at_a_time = SAVING.lock().unwrap_or_else(PoisonError::into_inner);
    let mut project = Project::open(dir)?;
    let before = project.product().ok().and_then(|r| plan_of(dir, &r.product).ok());
    let now = write(&mut project).map_err(|r| refused(dir, r))?;
    let after = project.product().ok().and_then(|r| plan_of(dir, &r.product).ok());
    let change = before.zip(after).map(|(before, after)| change(&before, &after));
    Ok(SavedProduct { page: page(dir, now), change })
}

/// Every field of the form, with its explanation.
#[utoipa::path(get, path = "/api/product/fields", responses((status = 200, body = [FormGroup])))]
async fn form_fields() -> Json<Vec<FormGroup>> {
    Json(product_fields().iter().map(group).collect())
}

/// `product.toml` with what is missing in it; also where it cannot be read.
#[utoipa::path(get, path = "/api/product", responses((status = 200, body = ProductPage), (status = 422, body = Problem)))]
async fn product_page(State(app): App) -> Result<Json<ProductPage>, Refusal> {
    let dir = app.backend.dir();
    blocking(move || {
        let file = Project::open(&dir)?.product_file()?;
        Ok(page(&dir, file))
    })
    .await
    .map(Json)
}

/// Saves answers; comments and unknown keys of the file stay.
#[utoipa::path(put, path = "/api/product", request_body = SaveProduct,
    responses((status = 200, body = SavedProduct), (status = 409, body = ProductConflict), (status = 422, body = ProductRefused)))]
async fn save_product(State(app): App, sent: Sent<SaveProduct>) -> Result<Json<SavedProduct>, NotSaved> {
    let Json(sent) = sent.map_err(Refusal::from)?;
    let dir = app.backend.dir();
    blocking(move || {
        Ok(save(&dir, |project| {
            let product = Product::of_answers(&sent.answers)?;
            project.save_product(&product, &sent.fingerprint)
        }))
    })
    .await?
    .map(Json)
}

/// Saves the text of `product.toml`, if it can be read.
#[utoipa::path(put, path = "/api/product/text", request_body = SaveProductText,
    responses((status = 200, body = SavedProduct), (status = 409, body = ProductConflict), (status = 422, body = ProductRefused)))]
async fn save_product_text(State(app): App, sent: Sent<SaveProductText>) -> Result<Json<SavedProduct>, NotSaved> {
    let Json(sent) = sent.map_err(Refusal::from)?;
    let dir = app.backend.dir();
    blocking(move || {
        Ok(save(&dir, |project| project.save_product_text(&sent.text, &sent.fingerprint).map(|(file, _)| file)))
    })
    .await?
    .map(Json)
}

/// What saving these answers would do; nothing is written.
#[utoipa::path(post, path = "/api/product/try", request_body = TryProduct,
    responses((status = 200, body = TriedProduct), (status = 422, body = Problem)))]
async fn try_product(State(app): App, sent: Sent<TryProduct>) -> Result<Json<TriedProduct>, Refusal> {
    let Json(sent) = sent?;
    let dir = app.backend.dir();
    blocking(move || {
        let product = match Product::of_answers(&sent.answers) {
            Ok(product) => product,
            Err(error) => {
                let problems = error.problems.iter().map(problem).collect();
                return Ok(TriedProduct { problems, change: None, asked: Vec::new() });
            }
        };
        let after = plan_of(&dir, &product).ok();
        let before = Project::open(&dir)?.product().ok().and_then(|r| plan_of(&dir, &r.product).ok());
        let asked = asked(&product, after.as_ref());
        let change = before.zip(after).map(|(before, after)| change(&before, &after));
        Ok(TriedProduct { problems: Vec::new(), change, asked })
    })
    .await
    .map(Json)
}

pub(super) fn routes() -> OpenApiRouter<Arc<Shared>> {
    OpenApiRouter::new()
        .routes(routes!(form_fields))
        .routes(routes!(product_page, save_product))
        .routes(routes!(save_product_text))
        .routes(routes!(try_product))
}
