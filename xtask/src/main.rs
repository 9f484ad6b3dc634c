//! Set-up, demo, tests and benchmarks: what the README's two commands call.
//!
//! It has no dependencies, so that it builds in a second, and it does all set-up itself: front-end packages and page,
//! a Python environment for the checks against numpy and scipy, and the browser where a package manager is at hand.

use std::env;
use std::ffi::OsStr;
use std::fs;
use std::io::{BufRead, BufReader};
use std::path::{Path, PathBuf};
use std::process::{Command, ExitCode, Stdio};
use std::time::{Instant, SystemTime};

mod bench;
mod bench_long;
mod bench_mains;
mod floors;

type Done = Result<(), String>;

const HELP: &str = "\
cargo xtask demo [DIR]   build everything, write the demonstration project (default: target/demo-project), work the whole loop on it
cargo xtask serve [DIR]  the same project in the browser
cargo xtask test         format, lints, types, licences, unit, whole-program and browser tests
cargo xtask bench        the receiver beside a numpy/scipy script on the same record: times, ratio, accuracy of both;
                         and how surely causes are found (`cargo xtask bench causes`: only that);
                         and networks beside ngspice (`cargo xtask bench networks`: only that);
                         and two hours of mains voltage and current (`cargo xtask bench mains`: only that);
                         `cargo xtask bench long`: the receiver on a record of 16 GiB (it needs that much room on the disk)
cargo xtask soak log     log a run with two devices while network, server and devices are cut and killed 200 times, then the same with a
                         real browser; `cargo xtask soak log KILLS` another number of times (HUSHFIELD_LOG_SEED: another sequence)
cargo xtask soak ledger   kill processes that write to a project 1,000 times, and flip 1,000 bits of its ledger
cargo xtask web          build the page only
cargo xtask openapi      rewrite the committed description of the server's interface after changing it
";

fn main() -> ExitCode {
    let args: Vec<String> = env::args().skip(1).collect();
    let rest: Vec<&str> = args.iter().skip(1).map(String::as_str).collect();
    let done = match args.first().map(String::as_str) {
        Some("demo") => demo(rest.first().copied()),
        Some("serve") => serve(rest.first().copied()),
        Some("test") => test(),
        Some("bench") => bench::run(&rest),
        Some("soak") => soak(&rest),
        Some("web") => web_page(),
        Some("openapi") => run(cargo(["test", "--quiet", "--locked", "-p", "app", "openapi"]).env("UPDATE", "1"))
            .and_then(|()| web_page()),
        Some("help" | "--help" | "-h") | None => {
            print!("{HELP}");
            Ok(())
        }
        Some(other) => Err(format!("`{other}` is no task of this project\n{HELP}")),
    };
    match done {
        Ok(()) => ExitCode::SUCCESS,
        Err(what) => {
            eprintln!("xtask: {what}");
            ExitCode::from(2)
        }
    }
}

/// The folder of the workspace.
fn root() -> PathBuf {
    // As it is now: a target folder may hold a build from another place.
    let own =
        std::env::var_os("CARGO_MANIFEST_DIR").map_or_else(|| PathBuf::from(env!("CARGO_MANIFEST_DIR")), PathBuf::from);
    own.parent().expect("xtask lies in the workspace").to_path_buf()
}

/// Where cargo builds: the environment's choice or `target`.
fn target() -> PathBuf {
    env::var_os("CARGO_TARGET_DIR").map_or_else(|| root().join("target"), PathBuf::from)
}

fn binary(profile: &str) -> PathBuf {
    target().join(profile).join(format!("hushfield{}", env::consts::EXE_SUFFIX))
}

fn in_ci() -> bool {
    env::var_os("CI").is_some_and(|v| !v.is_empty() && v != "false")
}

fn cargo<const N: usize>(args: [&str; N]) -> Command {
    let mut c = Command::new(env::var_os("CARGO").unwrap_or_else(|| "cargo".into()));
    c.args(args).current_dir(root());
    c
}

fn npm(args: &[&str]) -> Command {
    let mut c = Command::new(if cfg!(windows) { "npm.cmd" } else { "npm" });
    c.args(args).current_dir(root().join("web"));
    c
}

fn show(c: &Command) -> String {
    let words = std::iter::once(c.get_program()).chain(c.get_args());
    words.map(|w| w.to_string_lossy().into_owned()).collect::<Vec<_>>().join(" ")
}

fn run(c: &mut Command) -> Done {
    eprintln!("· {}", show(c));
    let status = c.status().map_err(|e| match e.kind() {
        std::io::ErrorKind::NotFound => {
            format!("`{}` is not installed or not on the path", c.get_program().to_string_lossy())
        }
        _ => format!("{}: {e}", show(c)),
    })?;
    if status.success() { Ok(()) } else { Err(format!("{} ended with {status}", show(c))) }
}

/// Finds a program on the path.
fn which(name: &str) -> Option<PathBuf> {
    let path = env::var_os("PATH")?;
    env::split_paths(&path).map(|d| d.join(format!("{name}{}", env::consts::EXE_SUFFIX))).find(|p| p.is_file())
}

// ------------------------------------------------------------------------------------------------ set-up

fn newest(path: &Path) -> SystemTime {
    let Ok(meta) = fs::metadata(path) else { return SystemTime::UNIX_EPOCH };
    let own = meta.modified().unwrap_or(SystemTime::UNIX_EPOCH);
    if !meta.is_dir() {
        return own;
    }
    let inner = fs::read_dir(path).into_iter().flatten().flatten().map(|e| newest(&e.path()));
    inner.fold(SystemTime::UNIX_EPOCH, SystemTime::max)
}

/// Front-end packages, only when the lock file changed since they were installed.
fn web_packages() -> Done {
    let web = root().join("web");
    let lock = fs::read(web.join("package-lock.json")).map_err(|e| format!("web/package-lock.json: {e}"))?;
    let seen = web.join("node_modules/.lock-seen");
    if fs::read(&seen).is_ok_and(|s| s == lock) {
        return Ok(());
    }
    if which("node").is_none() {
        return Err("Node.js 20.19 or newer is needed for the page; it was not found on the path".into());
    }
    run(&mut npm(&["ci", "--no-audit", "--no-fund", "--loglevel=error"]))?;
    fs::write(seen, lock).map_err(|e| format!("web/node_modules: {e}"))
}

/// The page, only when something it is made of is newer.
fn web_page() -> Done {
    web_packages()?;
    let web = root().join("web");
    let built = newest(&web.join("dist/index.html"));
    let sources = ["src", "public", "index.html", "openapi.json", "package-lock.json", "vite.config.ts"];
    // The generated types are rewritten by every build and must not count as a change.
    let made = web.join("src/api.d.ts");
    let _ = fs::remove_file(&made);
    if built > SystemTime::UNIX_EPOCH && sources.iter().all(|s| newest(&web.join(s)) <= built) {
        return Ok(());
    }
    run(&mut npm(&["run", "--silent", "build"]))
}

/// A Python with numpy and scipy for the checks against them: `HUSHFIELD_PYTHON` if set, else a virtual environment
/// under the target folder.
fn python() -> Result<PathBuf, String> {
    if let Some(p) = env::var_os("HUSHFIELD_PYTHON") {
        return Ok(p.into());
    }
    let home = target().join("python");
    let python = if cfg!(windows) { home.join("Scripts/python.exe") } else { home.join("bin/python") };
    let wanted = root().join("bench/requirements.txt");
    let wanted = fs::read_to_string(&wanted).map_err(|e| format!("{}: {e}", wanted.display()))?;
    let seen = home.join(".requirements-seen");
    if fs::read_to_string(&seen).is_ok_and(|s| s == wanted) {
        return Ok(python);
    }
    let base = which("python3").or_else(|| which("python")).ok_or("Python 3 was not found on the path")?;
    run(Command::new(base).args([OsStr::new("-m"), OsStr::new("venv"), home.as_os_str()]))?;
    run(Command::new(&python)
        .args(["-m", "pip", "install", "--quiet", "--disable-pip-version-check", "-r"])
        .arg(root().join("bench/requirements.txt")))?;
    fs::write(seen, wanted).map_err(|e| format!("{}: {e}", home.display()))?;
    Ok(python)
}

/// The browser that the page is tested in; installed by the system's package manager where that needs no question.
fn browser() -> Option<PathBuf> {
    let known = || {
        env::var_os("CHROMIUM").map(PathBuf::from).filter(|p| p.is_file()).or_else(|| {
            ["chromium", "chromium-browser", "google-chrome", "google-chrome-stable", "chrome"]
                .into_iter()
                .find_map(which)
                .or_else(|| {
                    let fixed = [
                        "/Applications/Google Chrome.app/Contents/MacOS/Google Chrome",
                        "/Applications/Chromium.app/Contents/MacOS/Chromium",
                        "C:\\Program Files\\Google\\Chrome\\Application\\chrome.exe",
                    ];
                    fixed.into_iter().map(PathBuf::from).find(|p| p.is_file())
                })
        })
    };
    known().or_else(|| {
        let is_root = Command::new("id").arg("-u").output().is_ok_and(|o| o.stdout.starts_with(b"0\n"));
        if is_root && which("apt-get").is_some() {
            run(Command::new("apt-get").args(["update", "-qq"])).ok()?;
            run(Command::new("apt-get").args(["install", "-y", "-qq", "chromium"]).stdout(Stdio::null())).ok()?;
        }
        known()
    })
}

/// The circuit simulator that networks are held against; installed like the browser where that needs no question.
fn simulator() -> Option<PathBuf> {
    which("ngspice").or_else(|| {
        let is_root = Command::new("id").arg("-u").output().is_ok_and(|o| o.stdout.starts_with(b"0\n"));
        if is_root && which("apt-get").is_some() {
            run(Command::new("apt-get").args(["update", "-qq"])).ok()?;
            run(Command::new("apt-get").args(["install", "-y", "-qq", "ngspice"]).stdout(Stdio::null())).ok()?;
        }
        which("ngspice")
    })
}

/// The licence checker: the one on the path, or one built into the target folder.
fn licence_checker() -> Result<PathBuf, String> {
    if let Some(found) = which("cargo-deny") {
        return Ok(found);
    }
    let home = target().join("tools");
    let own = home.join("bin").join(format!("cargo-deny{}", env::consts::EXE_SUFFIX));
    if !own.is_file() {
        run(cargo(["install", "--quiet", "--locked", "cargo-deny", "--version", "0.20.2", "--root"]).arg(&home))?;
    }
    Ok(own)
}

// ------------------------------------------------------------------------------------------------ tasks

fn release() -> Result<PathBuf, String> {
    web_page()?;
    run(&mut cargo(["build", "--quiet", "--release", "--locked", "-p", "app"]))?;
    Ok(binary("release"))
}

fn demo(dir: Option<&str>) -> Done {
    let hushfield = release()?;
    let dir = dir.map_or_else(
        || {
            // Ours to make anew each time; a folder that a person names is never cleared.
            let own = target().join("demo-project");
            let _ = fs::remove_dir_all(&own);
            own
        },
        PathBuf::from,
    );
    run(Command::new(hushfield).arg("demo").arg(dir))
}

fn serve(dir: Option<&str>) -> Done {
    let hushfield = release()?;
    let dir = dir.map_or_else(|| target().join("demo-project"), PathBuf::from);
    if !dir.join("product.toml").is_file() {
        run(Command::new(&hushfield).arg("demo").arg(&dir))?;
    }
    run(Command::new(hushfield).arg("serve").arg(dir))
}

/// Counts of a test run, gathered from the runners' own summary lines.
#[derive(Default)]
struct Tally {
    passed: u64,
    failed: u64,
    skipped: u64,
}

impl Tally {
    /// Adds a line of cargo test (`test result: ok. 3 passed; 0 failed; 1 ignored; …`) or of vitest
    /// (`Tests  2 failed | 10 passed | 1 skipped (13)`).
    fn read(&mut self, line: &str) {
        let plain = without_colour(line);
        let plain = plain.trim();
        let Some(counts) = plain.strip_prefix("test result:").or_else(|| plain.strip_prefix("Tests ")) else { return };
        let words: Vec<&str> = counts.split(|c: char| !c.is_alphanumeric()).filter(|w| !w.is_empty()).collect();
        for pair in words.windows(2) {
            let Ok(n) = pair[0].parse::<u64>() else { continue };
            match pair[1] {
                "passed" => self.passed += n,
                "failed" => self.failed += n,
                "ignored" | "skipped" | "todo" => self.skipped += n,
                _ => {}
            }
        }
    }
}

fn without_colour(line: &str) -> String {
    let mut out = String::new();
    let mut chars = line.chars();
    while let Some(c) = chars.next() {
        if c == '\u{1b}' {
            chars.by_ref().find(char::is_ascii_alphabetic);
        } else {
            out.push(c);
        }
    }
    out
}

/// Runs a test runner, shows its output as it comes, and counts.
fn counted(c: &mut Command, tally: &mut Tally) -> Done {
    eprintln!("· {}", show(c));
    let mut child = c.stdout(Stdio::piped()).spawn().map_err(|e| format!("{}: {e}", show(c)))?;
    let out = child.stdout.take().expect("was piped");
    for line in BufReader::new(out).lines() {
        let line = line.map_err(|e| format!("{}: {e}", show(c)))?;
        println!("{line}");
        tally.read(&line);
    }
    let status = child.wait().map_err(|e| e.to_string())?;
    if status.success() { Ok(()) } else { Err(format!("{} ended with {status}", show(c))) }
}

fn test() -> Done {
    let started = Instant::now();
    let mut tally = Tally::default();
    let mut wrong: Vec<String> = Vec::new();
    let mut not_run: Vec<String> = Vec::new();
    let mut step = |done: Done| {
        if let Err(what) = done {
            eprintln!("xtask: {what}");
            wrong.push(what);
        }
    };

    step(run(&mut cargo(["fmt", "--all", "--check"])));
    step(floors::check(&root()));
    step(web_page());
    step(run(&mut npm(&["run", "--silent", "lint"])));
    step(run(&mut npm(&["run", "--silent", "licences"])));
    step(run(&mut cargo(["clippy", "--quiet", "--workspace", "--all-targets", "--locked", "--", "-D", "warnings"])));
    step(licence_checker().and_then(|deny| {
        run(Command::new(deny)
            .args(["--offline", "--log-level", "error", "check", "licenses", "bans", "sources"])
            .current_dir(root()))
    }));

    let mut tests = cargo(["test", "--quiet", "--workspace", "--locked", "--no-fail-fast"]);
    match python() {
        Ok(p) => {
            tests.env("HUSHFIELD_PYTHON", p);
        }
        Err(what) if in_ci() => step(Err(what)),
        Err(what) => not_run.push(format!("the checks against numpy and scipy: {what}")),
    }
    match simulator() {
        Some(_) => {}
        None if in_ci() => step(Err("no ngspice was found for the checks of networks".into())),
        None => not_run.push("the runs of ngspice beside its kept answers: install ngspice".into()),
    }
    step(run(&mut cargo(["build", "--quiet", "--locked", "-p", "app"])));
    step(counted(&mut tests, &mut tally));

    step(counted(&mut npm(&["run", "--silent", "test"]), &mut tally));
    match browser() {
        Some(chrome) => {
            let demo = target().join("browser-demo");
            let _ = fs::remove_dir_all(&demo);
            step(run(Command::new(binary("debug")).arg("demo").arg(&demo).stdout(Stdio::null())));
            step(counted(
                npm(&["run", "--silent", "test:browser"])
                    .env("CHROMIUM", chrome)
                    .env("HUSHFIELD_BIN", binary("debug"))
                    .env("HUSHFIELD_DEMO_DIR", &demo),
                &mut tally,
            ));
        }
        None if in_ci() => step(Err("no Chromium was found for the browser tests".into())),
        None => not_run.push("the browser tests: install Chromium or set CHROMIUM to a browser's path".into()),
    }

    println!();
    for what in &not_run {
        println!("NOT RUN: {what}");
    }
    for what in &wrong {
        println!("FAILED: {what}");
    }
    println!("took {} s", started.elapsed().as_secs());
    // A broken lint or licence counts as one failure, so that the last line never looks green when the exit is not.
    let failed = tally.failed.max(u64::from(!wrong.is_empty()));
    println!("{} passed, {failed} failed, {} skipped", tally.passed, tally.skipped + not_run.len() as u64);
    if wrong.is_empty() { Ok(()) } else { Err(format!("{} step(s) failed", wrong.len())) }
}

/// The long form of the tests that kill: what `cargo xtask test` does a few dozen times.
fn soak(what: &[&str]) -> Done {
    let count = |n: &str| n.parse::<u32>().is_ok();
    let kills = match what {
        ["ledger"] => return soak_ledger("1000"),
        ["ledger", times] if count(times) => return soak_ledger(times),
        ["log"] => "200",
        ["log", kills] if count(kills) => kills,
        _ => return Err("`cargo xtask soak log|ledger [TIMES]`: expected `log` or `ledger`, and how often".into()),
    };
    web_page()?;
    run(&mut cargo(["build", "--quiet", "--locked", "-p", "app"]))?;
    let chrome = browser().ok_or("no Chromium was found for the soak in a browser")?;
    run(npm(&["run", "--silent", "test:browser", "--", "log-kills", "log-browser"])
        .env("CI", "1")
        .env("CHROMIUM", chrome)
        .env("HUSHFIELD_BIN", binary("debug"))
        // These tests make their own project; the folder is asked for by the others.
        .env("HUSHFIELD_DEMO_DIR", root())
        .env("HUSHFIELD_LOG_KILLS", kills))
}

/// Kills processes that write to a project, and flips bits of its ledger, so many times each.
fn soak_ledger(times: &str) -> Done {
    let test = [
        "test",
        "--quiet",
        "--locked",
        "-p",
        "project",
        "--test",
        "damage",
        "--",
        "--nocapture",
        "--test-threads",
        "1",
    ];
    run(cargo(test).env("HUSHFIELD_KILLS", times).env("HUSHFIELD_FLIPS", times))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn summaries_of_both_runners_are_counted() {
        let mut t = Tally::default();
        t.read("test result: ok. 14 passed; 1 failed; 2 ignored; 0 measured; 0 filtered out; finished in 0.02s");
        t.read("\u{1b}[2m      Tests \u{1b}[22m \u{1b}[1m\u{1b}[32m12 passed\u{1b}[39m\u{1b}[22m | 3 skipped (15)");
        t.read("passed 99 tests");
        assert_eq!((t.passed, t.failed, t.skipped), (26, 1, 5));
    }
}
