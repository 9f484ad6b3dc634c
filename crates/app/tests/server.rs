//! The server as a browser or any other program meets it: the real binary, plain HTTP on the loopback address.

use std::fmt::Write as _;
use std::io::{BufRead, BufReader, Read, Write};
use std::net::TcpStream;
use std::path::Path;
use std::process::{Child, Command, Stdio};

use serde_json::{Value, json};

struct Running {
    process: Child,
    /// `127.0.0.1:port`
    host: String,
    dir: tempfile::TempDir,
}

impl Drop for Running {
    fn drop(&mut self) {
        let _ = self.process.kill();
        let _ = self.process.wait();
    }
}

struct Answer {
    status: u16,
    head: String,
    body: Vec<u8>,
}

impl Answer {
    fn json(&self) -> Value {
        serde_json::from_slice(&self.body).unwrap_or_else(|e| panic!("{e}: {}", String::from_utf8_lossy(&self.body)))
    }

    fn header(&self, name: &str) -> Option<&str> {
        self.head.lines().find_map(|l| l.split_once(": ").filter(|(n, _)| n.eq_ignore_ascii_case(name)).map(|(_, v)| v))
    }
}

fn hushfield() -> Command {
    Command::new(env!("CARGO_BIN_EXE_hushfield"))
}

/// A project with one mains port, and a server on it.
fn start() -> Running {
    let dir = tempfile::tempdir().expect("a folder");
    let project = dir.path().join("project");
    let made = hushfield().arg("new").arg(&project).output().expect("hushfield runs");
    assert!(made.status.success(), "{}", String::from_utf8_lossy(&made.stderr));
    std::fs::write(
        project.join("product.toml"),
        "name = \"Pump timer\"\n\n[[ports]]\nid = \"inlet\"\nkind = \"ac_mains\"\nname = \"Mains inlet\"\ncable_length_m = 1.8\n",
    )
    .expect("product.toml is written");
    let mut process = hushfield()
        .arg("serve")
        .arg(&project)
        .args(["--port", "0"])
        .stdout(Stdio::piped())
        .spawn()
        .expect("hushfield runs");
    let mut line = String::new();
    BufReader::new(process.stdout.take().expect("standard output")).read_line(&mut line).expect("the address");
    let host = line
        .trim()
        .strip_prefix("http://")
        .and_then(|l| l.strip_suffix('/'))
        .expect("an address on the first line")
        .to_owned();
    assert!(host.starts_with("127.0.0.1:"), "{host}");
    Running { process, host, dir }
}

impl Running {
    fn send(&self, method: &str, path: &str, headers: &[(&str, &str)], body: &[u8]) -> Answer {
        let mut request =
            format!("{method} {path} HTTP/1.1\r\nConnection: close\r\nContent-Length: {}\r\n", body.len());
        if !headers.iter().any(|h| h.0 == "Host") {
            write!(request, "Host: {}\r\n", self.host).expect("text");
        }
        for (name, value) in headers {
            write!(request, "{name}: {value}\r\n").expect("text");
        }
        let mut stream = TcpStream::connect(&self.host).expect("a connection");
        stream.write_all(format!("{request}\r\n").as_bytes()).expect("sent");
        // A server that has seen enough closes before it has read all.
        let _ = stream.write_all(body);
        let mut all = Vec::new();
        let _ = stream.read_to_end(&mut all);
        let end = all.windows(4).position(|w| w == b"\r\n\r\n").expect("a head");
        let head = String::from_utf8_lossy(&all[..end]).into_owned();
        let status = head.split(' ').nth(1).and_then(|s| s.parse().ok()).expect("a status");
        let mut body = all[end + 4..].to_vec();
        if head.to_ascii_lowercase().contains("transfer-encoding: chunked") {
            body = unchunk(&body);
        }
        Answer { status, head, body }
    }

    fn get(&self, path: &str) -> Answer {
        self.send("GET", path, &[], &[])
    }

    fn post(&self, path: &str, body: &Value) -> Answer {
        self.send("POST", path, &[("Content-Type", "application/json")], body.to_string().as_bytes())
    }

    fn upload(&self, name: &str, body: &[u8]) -> Value {
        let answer = self.send("POST", &format!("/api/uploads?name={name}"), &[], body);
        assert_eq!(answer.status, 200, "{}", String::from_utf8_lossy(&answer.body));
        answer.json()
    }

    /// The last event of a job.
    fn end_of(&self, job: &str) -> Value {
        let events = self.get(&format!("/api/jobs/{job}"));
        assert_eq!(events.header("content-type"), Some("text/event-stream"));
        let text = String::from_utf8(events.body).expect("text");
        let last = text.lines().filter_map(|l| l.strip_prefix("data: ")).next_back().expect("an event");
        serde_json::from_str(last).expect("an event in JSON")
    }

    fn files(&self) -> Vec<String> {
        let mut found = Vec::new();
        walk(&self.dir.path().join("project"), &mut found);
        found.sort();
        found
    }
}

fn walk(dir: &Path, found: &mut Vec<String>) {
    for entry in std::fs::read_dir(dir).expect("a folder").flatten() {
        let path = entry.path();
        if path.is_dir() { walk(&path, found) } else { found.push(path.display().to_string()) }
    }
}

fn unchunk(mut data: &[u8]) -> Vec<u8> {
    let mut out = Vec::new();
    while let Some(end) = data.windows(2).position(|w| w == b"\r\n") {
        let size = usize::from_str_radix(String::from_utf8_lossy(&data[..end]).trim(), 16).unwrap_or(0);
        if size == 0 || data.len() < end + 2 + size {
            break;
        }
        out.extend_from_slice(&data[end + 2..end + 2 + size]);
        data = &data[(end + 4 + size).min(data.len())..];
    }
    out
}

fn numbers(bytes: &[u8]) -> Vec<f64> {
    bytes.chunks_exact(8).map(|c| f64::from_le_bytes(c.try_into().expect("eight bytes"))).collect()
}

/// A quiet floor with one emission of `peak` dBµV at the frequency nearest to 1 MHz.
fn sweep(points: u32, peak: f64) -> String {
    let mut text = "Frequency (Hz),Quasi-peak (dBuV)\n".to_owned();
    let step = 29.85e6 / f64::from(points - 1);
    let centre = 150e3 + step * (850e3 / step).round();
    for i in 0..points {
        let f = 150e3 + step * f64::from(i);
        let level = (peak - ((f - centre) / 9e3).powi(2) * 6.0).max(20.0);
        writeln!(text, "{f:.1},{level:.2}").expect("text");
    }
    text
}

/// The limit of class B at the mains port: 66 to 56 dBµV falling with the logarithm, 56, 60 (EN 55032, table A.10).
fn class_b(server: &Running) -> String {
    let limits = server.get("/api/limits").json();
    let found = limits.as_array().expect("a list").iter().find(|l| {
        l["port"] == "ac_mains"
            && l["detector"] == "quasi_peak"
            && l["unit"] == "dBµV"
            && l["points"][0] == json!({ "frequency_hz": 150e3, "level_db": 66.0 })
    });
    found.expect("a class B limit at the mains port")["id"].as_str().expect("an id").to_owned()
}

#[test]
fn a_sweep_becomes_a_run_with_its_verdict_levels_and_report() {
    let server = start();
    let project = server.get("/api/project").json();
    assert_eq!(project["product"], "Pump timer");
    assert_eq!(project["ports"][0]["state"], "untested");

    let understood = server.upload("bench%20sweep.csv", sweep(4000, 60.0).as_bytes());
    assert_eq!((&understood["kind"], &understood["name"]), (&json!("sweep"), &json!("bench sweep.csv")));
    assert_eq!(understood["questions"], json!([]), "{understood}");
    let limit = class_b(&server);
    let job = server.post(
        "/api/measure",
        &json!({ "upload_id": understood["upload_id"], "choices": { "answers": {} }, "port": "inlet", "limits": [limit], "conductor": "line" }),
    );
    assert_eq!(job.status, 202, "{}", String::from_utf8_lossy(&job.body));
    let end = server.end_of(job.json()["job_id"].as_str().expect("an id"));
    assert_eq!(end["state"], "done", "{end}");
    let id = end["run_id"].as_str().expect("an id").to_owned();

    let run = server.get(&format!("/api/runs/{id}")).json();
    assert_eq!(run["summary"]["state"], "fail");
    let margin = run["summary"]["margin_db"].as_f64().expect("a margin");
    assert!((margin + 4.0).abs() < 1e-9, "60 dBµV against 56 is 4 dB over: {margin}");
    assert_eq!(run["suspects"].as_array().map(Vec::len), Some(1));
    assert_eq!(run["trace"]["points"], 4000);
    assert_eq!(run["hash"].as_str().map(str::len), Some(64));

    let whole = server.get(&format!("/api/runs/{id}/trace?columns=0"));
    assert_eq!(whole.header("content-type"), Some("application/octet-stream"));
    let values = numbers(&whole.body);
    assert_eq!(values.len(), 8000);
    assert_eq!((values[0], values[3999]), (150e3, 30e6));
    let highest = values[4000..].iter().copied().fold(f64::NEG_INFINITY, f64::max);
    let thinned =
        numbers(&server.get(&format!("/api/runs/{id}/trace?columns=0&from_hz=500e3&to_hz=2e6&pixels=20")).body);
    assert!(thinned.len() <= 2 * 2 * 20, "{}", thinned.len());
    assert!(thinned[thinned.len() / 2..].contains(&highest), "the maximum is kept");
    let wrong = server.get(&format!("/api/runs/{id}/trace?columns=7"));
    assert_eq!((wrong.status, &wrong.json()["where"]), (400, &json!("columns")));

    let csv = server.get(&format!("/api/runs/{id}/trace.csv"));
    assert!(String::from_utf8_lossy(&csv.body).starts_with("frequency_hz,"));
    assert!(String::from_utf8_lossy(&csv.body).lines().count() > 4000);
    let pdf = server.get(&format!("/api/report.pdf?run={id}"));
    assert_eq!(
        (pdf.status, pdf.header("content-type")),
        (200, Some("application/pdf")),
        "{}",
        String::from_utf8_lossy(&pdf.body)
    );
    assert!(pdf.body.starts_with(b"%PDF-"));

    let project = server.get("/api/project").json();
    assert_eq!(project["ports"][0]["state"], "fail");
    assert!(project["revision"].as_u64() > Some(0));
}

#[test]
fn what_can_be_read_two_ways_is_asked_and_the_answer_is_kept() {
    let server = start();
    let unit_unknown = sweep(500, 60.0).replace("Quasi-peak (dBuV)", "level");
    let understood = server.upload("sweep.csv", unit_unknown.as_bytes());
    let asked = |answer: &Value| -> Vec<String> {
        answer["questions"]
            .as_array()
            .expect("a list")
            .iter()
            .filter_map(|q| q["field"].as_str().map(str::to_owned))
            .collect()
    };
    assert!(!asked(&understood).is_empty(), "nothing is guessed: {understood}");
    let id = understood["upload_id"].as_str().expect("an id");
    let as_sweep = server.post(&format!("/api/uploads/{id}"), &json!({ "kind": "sweep", "answers": {} })).json();
    assert!(asked(&as_sweep).contains(&"level_unit".to_owned()), "{as_sweep}");
    let answers = json!({ "kind": "sweep", "answers": { "level_unit": "dBuV", "detector": "peak" } });
    let again = server.post(&format!("/api/uploads/{id}"), &answers).json();
    assert_eq!(again["questions"], json!([]), "{again}");
    assert!(again["facts"].to_string().contains("dBµV"), "{again}");
    assert_eq!(server.send("DELETE", &format!("/api/uploads/{id}"), &[], &[]).status, 204);
    assert_eq!(server.post(&format!("/api/uploads/{id}"), &json!({ "answers": {} })).status, 404);
}

#[test]
fn bad_input_is_refused_in_words_and_leaves_the_project_as_it_was() {
    let server = start();
    let revision = || server.get("/api/project").json()["revision"].clone();
    let before = (server.files(), revision());
    let letter = server.upload("letter.csv", b"Dear reader,\nthis holds no figures at all.\n");
    assert!(letter["problem"]["what"].as_str().is_some_and(|w| !w.is_empty()), "{letter}");
    assert!(letter["problem"]["expected"].as_str().is_some_and(|w| !w.is_empty()), "{letter}");

    let empty = server.send("POST", "/api/uploads?name=x.csv", &[], &[]);
    assert_eq!((empty.status, &empty.json()["where"]), (422, &json!("upload")));
    for (path, body) in [("/api/measure", json!({ "upload_id": "../x" })), ("/api/measure", json!("x"))] {
        assert_eq!(server.post(path, &body).status, 422);
    }
    let traversal = server.post(
        "/api/measure",
        &json!({ "upload_id": "..", "choices": { "answers": {} }, "port": "inlet", "limits": [] }),
    );
    assert_eq!(traversal.status, 404);
    assert_eq!(server.get("/api/runs/nothing").status, 404);
    assert_eq!(server.get("/api/no-such-thing").status, 404);
    let large = vec![b' '; 300 * 1024];
    assert_eq!(server.send("POST", "/api/measure", &[("Content-Type", "application/json")], &large).status, 413);

    // A file that reads, with a port and a limit that are not there.
    let good = server.upload("good.csv", sweep(500, 30.0).as_bytes());
    for (port, limit) in [("nowhere", class_b(&server)), ("inlet", "no-such-limit".to_owned())] {
        let request =
            json!({ "upload_id": good["upload_id"], "choices": { "answers": {} }, "port": port, "limits": [limit] });
        let job = server.post("/api/measure", &request);
        let end = server.end_of(job.json()["job_id"].as_str().expect("an id"));
        assert_eq!(end["state"], "failed", "{end}");
        assert!(end["problem"]["expected"].as_str().is_some_and(|w| !w.is_empty()), "{end}");
    }
    assert_eq!((server.files(), revision()), before);
}

#[test]
fn only_this_page_on_this_machine_is_answered() {
    let server = start();
    let foreign = server.send("GET", "/api/project", &[("Host", "rebound.example")], &[]);
    assert_eq!((foreign.status, &foreign.json()["where"]), (403, &json!("Host")));
    let driven = server.send("POST", "/api/uploads?name=x.csv", &[("Origin", "http://elsewhere.example")], b"1,2\n");
    assert_eq!((driven.status, &driven.json()["where"]), (403, &json!("Origin")));
    let own = format!("http://{}", server.host);
    assert_eq!(server.send("GET", "/api/project", &[("Origin", &own)], &[]).status, 200);
    let answer = server.get("/api/project");
    assert_eq!(answer.header("cache-control"), Some("no-cache"));
    assert!(answer.header("access-control-allow-origin").is_none());
}

/// Paths that climb, bodies that are too large, heads that are none, and clients that never finish.
#[test]
fn hostile_requests_are_refused_and_the_others_are_served() {
    let server = start();
    std::fs::write(server.dir.path().join("secret.txt"), "not for the page").unwrap();
    for path in [
        "/../secret.txt",
        "/../../../../etc/passwd",
        "/%2e%2e/secret.txt",
        "/assets/..%2f..%2f..%2fsecret.txt",
        "/assets/%2e%2e/%2e%2e/secret.txt",
        "/..\\secret.txt",
        "/api/uploads/..%2f..%2fsecret.txt",
        "/api/chains/..%2f..%2fsecret",
        "/api/runs/..%2fproject",
        "//secret.txt",
        "/%00",
    ] {
        for method in ["GET", "POST", "DELETE"] {
            let answer = server.send(method, path, &[("Content-Type", "application/json")], b"{}");
            let text = String::from_utf8_lossy(&answer.body);
            assert!(!text.contains("not for the page") && !text.contains("root:"), "{method} {path}: {text}");
            assert!(answer.status < 500, "{method} {path}: {}", answer.status);
        }
    }
    // More than a JSON body may have.
    let large = format!("{{\"description\":\"{}\"}}", "x".repeat(2 << 20));
    let answer = server.send("POST", "/api/states", &[("Content-Type", "application/json")], large.as_bytes());
    assert_eq!(answer.status, 413);
    // A form of another page can send no JSON: such a body is refused.
    let form = server.send(
        "POST",
        "/api/states",
        &[("Content-Type", "text/plain")],
        b"{\"description\":\"x\",\"changes\":[]}",
    );
    assert_eq!(form.status, 415);
    for head in ["GARBAGE\r\n\r\n", "GET / HTTP/9.9\r\n\r\n", "\0\0\0\0\r\n\r\n", "GET /api/project HTTP/1.1\r\n\r\n"] {
        let mut stream = TcpStream::connect(&server.host).unwrap();
        stream.write_all(head.as_bytes()).unwrap();
        stream.shutdown(std::net::Shutdown::Write).unwrap();
        let mut said = Vec::new();
        let _ = stream.read_to_end(&mut said);
        assert!(!String::from_utf8_lossy(&said).contains(" 200 "), "{head:?}");
    }
    // Connections that begin and never go on hold nobody else up.
    let slow: Vec<TcpStream> = (0..200)
        .map(|k| {
            let mut stream = TcpStream::connect(&server.host).unwrap();
            let begun = if k % 2 == 0 {
                "GET /api/pro"
            } else {
                "POST /api/uploads?name=x HTTP/1.1\r\nContent-Length: 99\r\n\r\nx"
            };
            stream.write_all(begun.as_bytes()).unwrap();
            stream
        })
        .collect();
    assert_eq!(server.get("/api/project").status, 200);
    drop(slow);
    assert_eq!(server.get("/api/project").status, 200);
}

/// A long record can be given up while it is measured, and no run comes of it.
#[test]
fn a_measurement_can_be_cancelled() {
    let server = start();
    let understood = server.upload("record.npy", &npy(6_000_000));
    assert_eq!(understood["kind"], "capture", "{understood}");
    assert_eq!(understood["questions"][0]["field"], "rate_hz", "{understood}");
    let job = server.post(
        "/api/measure",
        &json!({ "upload_id": understood["upload_id"], "choices": { "answers": { "rate_hz": "62.5e6" } }, "port": "inlet",
                 "limits": [class_b(&server)], "band": "B", "start": "rest" }),
    );
    assert_eq!(job.status, 202, "{}", String::from_utf8_lossy(&job.body));
    let id = job.json()["job_id"].as_str().expect("an id").to_owned();
    assert_eq!(server.send("DELETE", &format!("/api/jobs/{id}"), &[], &[]).status, 204);
    let end = server.end_of(&id);
    assert_eq!(end["state"], "cancelled", "{end}");
    assert_eq!(server.get("/api/runs").json(), json!([]));
    assert_eq!(server.get("/api/project").json()["ports"][0]["state"], "untested");
}

/// NumPy's format 1.0 (numpy.lib.format): magic, version, header length, a dictionary padded to 64 bytes, the numbers.
fn npy(samples: usize) -> Vec<u8> {
    let mut header = format!("{{'descr': '<f4', 'fortran_order': False, 'shape': ({samples},), }}");
    while (10 + header.len() + 1) % 64 != 0 {
        header.push(' ');
    }
    header.push('\n');
    let mut out = b"\x93NUMPY\x01\x00".to_vec();
    out.extend_from_slice(&(header.len() as u16).to_le_bytes());
    out.extend_from_slice(header.as_bytes());
    out.extend((0..samples).flat_map(|i| (((i * 2_654_435_761) % 1000) as f32 * 1e-6).to_le_bytes()));
    out
}
