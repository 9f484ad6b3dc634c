//! Descriptions: the templates are right, and what is wrong is told with line, field and expectation.

use instrument::{Figure, Kind, TEMPLATE_ANALYSER, TEMPLATE_SCOPE, read_description};

fn problems(text: &str) -> Vec<(usize, String, String)> {
    let found = read_description(text, "mine.toml").unwrap_err();
    assert!(!found.is_empty());
    assert!(found.iter().all(|p| p.file == "mine.toml" && !p.expected.is_empty()));
    found.into_iter().map(|p| (p.line, p.field.clone(), p.to_string())).collect()
}

/// Line of the template that begins so.
fn line_of(text: &str, begins: &str) -> usize {
    text.lines().position(|l| l.starts_with(begins)).unwrap() + 1
}

#[test]
fn the_templates_are_right() {
    let a = read_description(TEMPLATE_ANALYSER, "a").unwrap();
    assert_eq!(a.kind, Kind::Analyser);
    assert!(a.fits("HUSHFIELD,Simulated analyser,0,1") && !a.fits("Hushfield,Simulated oscilloscope,0,1"));
    let s = read_description(TEMPLATE_SCOPE, "s").unwrap();
    let w = s.waveform.unwrap();
    assert_eq!(w.channels.len(), 2);
    assert_eq!(w.time_step_s, Figure::Asked { query: "WAV:PRE?".into(), item: Some(5), factor: 1.0 });
}

#[test]
fn each_fault_names_its_line_and_field() {
    let t = TEMPLATE_ANALYSER;
    for (begins, from, to, field, word) in [
        ("kind", "\"analyser\"", "\"voltmeter\"", "kind", "analyser, scope"),
        ("format", "\"real32\"", "\"real33\"", "trace.format", "real64"),
        ("byte_order", "\"big\"", "\"middle\"", "trace.byte_order", "big, little"),
        ("unit", "\"dBm\"", "\"dBV\"", "trace.unit", "dBuV"),
        ("read = ", "TRACE1", "1", "", ""),
        ("start = ", "\"INIT\"", "\"INIT?\"", "trace.start[1]", "command without an answer"),
        ("done", "*OPC?", "*OPC", "trace.done", "query"),
        ("timeout_s", "3.0", "-3", "limits.timeout_s", "above 0"),
        ("impedance_ohm", "50.0", "\"fifty\"", "trace.impedance_ohm", "ohms above 0"),
        ("impedance_ohm", "impedance_ohm", "impedance", "trace.impedance", "one of"),
        ("mask", "1 ", "0 ", "overload.mask", "bits"),
        ("stop_hz", "query", "ask", "trace.frequency.stop_hz.ask", "query, item, factor"),
        ("detector", "\"peak\"", "\"qp\"", "trace.detector", "quasi_peak"),
        ("check_errors", "true", "1", "check_errors", "true or false"),
    ] {
        let line = line_of(t, begins);
        let text: String = t
            .lines()
            .enumerate()
            .map(|(i, l)| if i + 1 == line { format!("{}\n", l.replacen(from, to, 1)) } else { format!("{l}\n") })
            .collect();
        assert_ne!(text, t, "{begins}");
        if field.is_empty() {
            assert!(read_description(&text, "x").is_ok(), "{begins} is a matter of taste");
            continue;
        }
        let found = problems(&text);
        let (_, _, message) = found
            .iter()
            .find(|(l, f, _)| *l == line && f == field)
            .unwrap_or_else(|| panic!("{begins}: line {line} {field} not in {found:?}"));
        assert!(message.contains(word) && message.starts_with(&format!("mine.toml, line {line}, ")), "{message}");
    }
}

#[test]
fn every_problem_is_told_at_once() {
    let found = problems("name = 3\nkind = \"analyser\"\n[trace]\nformat = \"int16\"\n");
    let fields: Vec<&str> = found.iter().map(|f| f.1.as_str()).collect();
    for field in ["name", "identification", "trace.read", "trace.byte_order", "trace.unit", "trace.frequency"] {
        assert!(fields.contains(&field), "{field} not in {fields:?}");
    }
    assert_eq!(found.iter().find(|f| f.1 == "name").unwrap().0, 1);
    let toml = problems("name = \"a\"\nkind = \n");
    assert_eq!((toml[0].0, toml[0].1.as_str()), (2, "TOML"));
    let twice = TEMPLATE_SCOPE.replace("name = \"2\"", "name = \"1\"");
    assert!(problems(&twice)[0].2.contains("a second time"));
    let none = problems("name = \"a\"\nkind = \"scope\"\nidentification = \"*\"\n");
    assert!(none[0].2.contains("[waveform]"));
}
