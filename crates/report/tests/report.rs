//! The report of an invented product: the same bytes every time, the facts on its pages, the awkward cases.

mod invented;

use report::pictures::{Pattern, Rung, ladder_svg, polar_svg};
use report::plot::{PlotOptions, frequency_text, spectrum_svg};
use report::{
    Decision, Fact, PictureEvidence, ReportError, SectionEvidence, TableEvidence, evidence_json, render, suspects_csv,
    trace_csv,
};

/// Text without the marks that only steer line breaks, runs of white space as one space.
fn plain(pages: &[String]) -> String {
    let text = pages.join(" ").replace(['\u{200b}', '\u{ad}'], "").replace(['\u{a0}', '\u{202f}'], " ");
    text.split_whitespace().collect::<Vec<_>>().join(" ")
}

fn contains(bytes: &[u8], needle: &str) -> bool {
    bytes.windows(needle.len()).any(|w| w == needle.as_bytes())
}

#[test]
fn the_same_evidence_gives_the_same_bytes() {
    let evidence = invented::evidence();
    let first = render(&evidence).unwrap();
    // Once more by way of JSON, as it comes from a file.
    let again = serde_json::from_str(&evidence_json(&evidence).unwrap()).unwrap();
    let second = render(&again).unwrap();
    assert!(first.pdf == second.pdf, "two renderings differ");
    assert!(first.warnings.is_empty(), "{:?}", first.warnings);
    let mut abroad = evidence.clone();
    abroad.generated_at = "2026-03-16T08:05:00-03:30".to_owned();
    assert!(contains(&render(&abroad).unwrap().pdf, "2026-03-16T08:05:00-03:30"), "the offset is kept");
    let mut later = evidence;
    later.generated_at = "2026-03-17 08:05".to_owned();
    assert!(render(&later).unwrap().pdf != first.pdf, "the date must show");
}

#[test]
fn it_is_pdf_a_2b_made_by_hushfield() {
    let pdf = render(&invented::evidence()).unwrap().pdf;
    assert!(pdf.starts_with(b"%PDF-1.7"));
    // ISO 19005-2, 6.6.4: part and conformance level stand in the XMP metadata.
    assert!(contains(&pdf, "<pdfaid:part>2</pdfaid:part>"), "part");
    assert!(contains(&pdf, "<pdfaid:conformance>B</pdfaid:conformance>"), "conformance");
    assert!(contains(&pdf, "<xmp:CreatorTool>Hushfield</xmp:CreatorTool>"), "creator");
    assert!(contains(&pdf, "2026-03-16T08:05"), "the date of the evidence, not of today");
}

#[test]
fn the_pages_say_what_was_measured_and_against_what() {
    let evidence = invented::evidence();
    let rendered = render(&evidence).unwrap();
    let text = plain(&rendered.text);
    let run = &evidence.runs[0];
    let worst = &run.suspects[0];
    assert!(worst.margin_db < 0.0, "the first run is made to fail");
    for fact in [
        "Weir WP-40",
        "WP40-000003",
        &run.verdict.as_ref().unwrap().sentence,
        "Fail",
        &format!("−{:.1}", -worst.margin_db),
        "CISPR 32:2015",
        "from memory",
        "Check them against the bought edition of the standard",
        "±3.4 dB",
        "Artificial network 1",
        "past its date",
        "af1349b9f5f9a1a6a0404dea36dcc9499bcb25c9adc112b7cc9a93cae41f3262",
        "125 000 128",
        // 2π · 50 Hz · 12 µF · 230 V
        "0.87 A at 230 V and 50 Hz",
        "isolating transformer",
        "licensed",
        "The neutral conductor was not measured in state B.",
        "Hushfield 0.1.0",
        "limit data 2026-03",
    ] {
        assert!(text.contains(fact), "missing: {fact}\nin: {text}");
    }
    for (i, page) in rendered.text.iter().enumerate() {
        assert!(plain(std::slice::from_ref(page)).contains(&format!("page {} / {}", i + 1, rendered.pages)));
    }
    assert_eq!(rendered.text.len(), rendered.pages);
}

#[test]
fn the_earth_current_in_the_cautions_is_that_of_the_capacitors() {
    let earth_a = |volts: f64, hertz: f64| std::f64::consts::TAU * hertz * 12e-6 * volts;
    let text = plain(&render(&invented::evidence()).unwrap().text);
    assert!(text.contains(&format!("about {:.2} A at 230 V", earth_a(230.0, 50.0))));
    assert!(text.contains(&format!("({:.2} A at 120 V", earth_a(120.0, 60.0))));
}

#[test]
fn cautions_of_the_mains_stand_only_where_mains_was_measured() {
    let mut evidence = invented::evidence();
    for run in &mut evidence.runs {
        run.mains = false;
    }
    let text = plain(&render(&evidence).unwrap().text);
    assert!(!text.contains("residual-current"));
    assert!(text.contains("70 °C"), "the user's own cautions stay");
}

#[test]
fn a_long_table_repeats_its_header_and_keeps_every_suspect() {
    let evidence = invented::awkward();
    let rendered = render(&evidence).unwrap();
    assert!(rendered.warnings.is_empty(), "{:?}", rendered.warnings);
    let count = evidence.runs[0].suspects.len();
    assert!(count > 60, "{count} suspects");
    let pages: Vec<String> = rendered.text.iter().map(|p| plain(std::slice::from_ref(p))).collect();
    let with_header = pages.iter().filter(|p| p.contains("margin, dB what it is")).count();
    assert!(with_header >= 2, "the header stands on {with_header} pages");
    let all = pages.join(" ");
    assert_eq!(all.matches("board_revision_C_second_source").count(), count.div_ceil(3));
    assert!(all.contains("not recorded"));
    assert!(all.contains("the stored bytes no longer match"));
    assert!(all.contains("No verdict was given"));
}

#[test]
fn text_from_outside_is_never_code() {
    let evidence = invented::awkward();
    let text = plain(&render(&evidence).unwrap().text);
    assert!(text.contains("#strong[not bold] $x^2$"), "typesetting commands stay text");
    // No embedded font has these characters, and PDF/A forbids a missing glyph.
    assert!(text.contains("another script: \u{fffd}\u{fffd}."), "{text}");
    let svg = spectrum_svg(&evidence.runs[0], &PlotOptions::default());
    assert!(!svg.contains("<script"));
    assert!(svg.contains("&lt;script&gt;"));
}

#[test]
fn nothing_at_all_is_still_a_report() {
    let mut evidence = report::Evidence { generated_at: "2026-03-16".to_owned(), ..Default::default() };
    let rendered = render(&evidence).unwrap();
    assert!(plain(&rendered.text).contains("No run has been measured yet"));
    evidence.runs.push(report::RunEvidence { id: "1".to_owned(), ..Default::default() });
    let text = plain(&render(&evidence).unwrap().text);
    assert!(text.contains("the levels were compared with no limit"));
}

#[test]
fn a_plot_of_a_long_record_stays_small_and_keeps_its_peak() {
    let mut run = invented::evidence().runs.remove(0);
    let n = 400_000;
    run.trace.frequency_hz = (0..n).map(|i| 150e3 * 200f64.powf(f64::from(i) / f64::from(n - 1))).collect();
    for column in &mut run.trace.columns {
        column.level_db = (0..n).map(|i| f64::from(i % 17)).collect();
    }
    // One bin that stands alone must survive.
    run.trace.columns[0].level_db[123_456] = 64.25;
    run.suspects.clear();
    run.verdict = None;
    let options = PlotOptions::default();
    let svg = spectrum_svg(&run, &options);
    assert!(svg.len() < 200_000, "{} bytes", svg.len());
    let paths: Vec<&str> = svg.split("<path d=\"").skip(1).filter_map(|p| p.split('"').next()).collect();
    let longest = paths.iter().map(|p| p.matches(['M', 'L']).count()).max().unwrap();
    // A minimum and a maximum in each half unit of width.
    assert!(longest as f64 <= 2.0 * 2.0 * options.width, "{longest} points");
    // The highest point of the peak line, read back through the axis: 10 dB lines stand at known heights.
    let trace = paths.iter().filter(|p| p.matches('L').count() > 500).map(|p| {
        p.split(['M', 'L']).filter_map(|pair| pair.split_once(' ')?.1.parse::<f64>().ok()).fold(f64::INFINITY, f64::min)
    });
    let top = trace.fold(f64::INFINITY, f64::min);
    let height_of = |db: i32| -> f64 {
        let before = svg.split(&format!(">{db}</text>")).next().unwrap();
        before.rsplit("<path d=\"M").next().unwrap().split([' ', 'H']).nth(1).unwrap().parse().unwrap()
    };
    let (y20, y60) = (height_of(20), height_of(60));
    let level = 20.0 + (top - y20) / (y60 - y20) * 40.0;
    assert!((level - 64.25).abs() < 0.05, "the lone peak is drawn at {level} dB");
}

#[test]
fn a_gap_interrupts_the_line() {
    let mut run = invented::evidence().runs.remove(0);
    run.trace.columns.truncate(1);
    let moves = |run: &report::RunEvidence| {
        let svg = spectrum_svg(run, &PlotOptions::default());
        let longest = svg
            .split("<path d=\"")
            .skip(1)
            .filter_map(|p| p.split('"').next())
            .max_by_key(|p| p.matches('L').count())
            .map(str::to_owned)
            .unwrap();
        longest.matches('M').count()
    };
    assert_eq!(moves(&run), 1);
    for level in &mut run.trace.columns[0].level_db[1000..1200] {
        *level = f64::NAN;
    }
    assert_eq!(moves(&run), 2);
}

#[test]
fn bad_evidence_is_named() {
    let mut evidence = invented::evidence();
    evidence.runs[0].trace.columns[1].level_db.pop();
    assert!(matches!(render(&evidence), Err(ReportError::Length { found: 6633, expected: 6634, .. })));
    let mut evidence = invented::evidence();
    evidence.generated_at = "yesterday".to_owned();
    assert!(matches!(render(&evidence), Err(ReportError::Date { .. })));
    let mut evidence = invented::evidence();
    evidence.runs[1].trace.frequency_hz[7] = 1.0;
    let error = render(&evidence).unwrap_err();
    assert!(error.to_string().contains("run 2: frequency 8 (1 Hz) does not rise"), "{error}");
    let mut evidence = invented::evidence();
    evidence.runs[0].limits[0].points.clear();
    assert!(matches!(render(&evidence), Err(ReportError::Limit { .. })));
}

#[test]
fn tables_for_other_programs() {
    let mut run = invented::evidence().runs.remove(0);
    run.trace.columns[0].level_db[1] = f64::NAN;
    run.suspects[0].note = "=1+1, \"quoted\"".to_owned();
    let csv = trace_csv(&run);
    let mut lines = csv.lines();
    assert_eq!(
        lines.next(),
        Some(
            "frequency_hz,peak_dbuv,quasi_peak_dbuv,cispr_average_dbuv,limit cispr32-b-mains-qp dbuv,limit cispr32-b-mains-av dbuv"
        )
    );
    // The class B limit at 150 kHz is 66 and 56 dBµV (commonly known).
    let first: Vec<&str> = lines.next().unwrap().split(',').collect();
    assert_eq!((first[0], first[4], first[5]), ("150000", "66.0000", "56.0000"));
    assert!(lines.next().unwrap().starts_with("154500,,"), "a gap is an empty cell");
    assert_eq!(csv.lines().count(), 6635);
    let suspects = suspects_csv(&run);
    assert!(suspects.lines().nth(1).unwrap().ends_with(",\"'=1+1, \"\"quoted\"\"\""), "{suspects}");
}

#[test]
fn frequencies_for_people() {
    for (hz, text) in [
        (150e3, "150 kHz"),
        (3.2505e6, "3.2505 MHz"),
        (29.9985e6, "29.9985 MHz"),
        (999999.9999, "1 MHz"),
        (50.0, "50 Hz"),
        (123.456e6, "123.456 MHz"),
        (1.8e9, "1.8 GHz"),
    ] {
        assert_eq!(frequency_text(hz), text);
    }
}

#[test]
fn what_several_runs_say_has_a_section_of_its_own() {
    let mut evidence = invented::evidence();
    let alone = render(&evidence).unwrap().pages;
    let points: Vec<(f64, f64)> = (0..12).map(|k| (f64::from(k) * 30.0, 30.0 + 4.0 * f64::from(k % 5))).collect();
    let pattern = Pattern { name: "vertical".into(), points, between: Vec::new() };
    let rung = |frequency_hz, margin_db| Rung { frequency_hz, margin_db, half_db: 3.1, probability_over: 0.2 };
    let picture = |svg: String, width_percent| PictureEvidence {
        svg,
        alt: "what it shows".into(),
        caption: "Under the picture.".into(),
        width_percent,
    };
    evidence.sections = vec![SectionEvidence {
        heading: "Survey round the turntable".into(),
        sentence: "Twelve angles; the worst stands at 60°.".into(),
        decision: Some(Decision::Inconclusive),
        caution: "Turning machinery.".into(),
        facts: vec![Fact { name: "step".into(), value: "30°".into() }],
        text: "First paragraph.\n\nSecond paragraph.".into(),
        pictures: vec![
            picture(polar_svg(std::slice::from_ref(&pattern), Some(40.0), "dBµV/m"), 50),
            picture(polar_svg(&[pattern], None, "dBµV/m"), 50),
            picture(ladder_svg(&[rung(144e6, -2.0), rung(96e6, 8.0)]), 100),
        ],
        tables: vec![TableEvidence {
            title: "Where each emission is highest".into(),
            head: vec!["Frequency".into(), "Angle".into(), "Remark".into()],
            figures: vec![true, true, false],
            rows: vec![
                vec!["144.00 MHz".into(), "60°".into()],
                vec!["96 MHz".into(), "270°".into(), "#emph[x] stays text".into()],
            ],
            ..TableEvidence::default()
        }],
        findings: Vec::new(),
    }];
    let rendered = render(&evidence).unwrap();
    assert!(rendered.warnings.is_empty(), "{:?}", rendered.warnings);
    let text = plain(&rendered.text);
    for words in [
        "Twelve angles; the worst stands at 60°.",
        "Turning machinery.",
        "Second paragraph.",
        "Where each emission is highest",
        "#emph[x] stays text",
        "Under the picture.",
    ] {
        assert!(text.contains(words), "{words}");
    }
    // Its sentence stands with those of the runs, before anything else, and again over the section.
    let sentence = "Twelve angles; the worst stands at 60°.";
    assert_eq!(text.matches(sentence).count(), 2);
    assert!(text.find(sentence).unwrap() < text.find("Set-up and cautions").unwrap());
    assert!(rendered.pages > alone);
}
