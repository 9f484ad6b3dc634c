//! Writes the report of an invented product: `cargo run -p report --example specimen -- OUT.pdf [awkward]`.
//! The plots stand beside it as `OUT-0.svg`, `OUT-0-dark.svg` and so on.

#[path = "../tests/invented/mod.rs"]
mod invented;

use std::path::PathBuf;

use report::plot::{PlotOptions, spectrum_svg};

fn main() -> Result<(), Box<dyn std::error::Error>> {
    let mut arguments = std::env::args().skip(1);
    let out = PathBuf::from(arguments.next().ok_or("expected the path of the PDF to write")?);
    let evidence =
        if arguments.next().as_deref() == Some("awkward") { invented::awkward() } else { invented::evidence() };
    let rendered = report::render(&evidence)?;
    for warning in &rendered.warnings {
        eprintln!("warning: {warning}");
    }
    std::fs::write(&out, &rendered.pdf)?;
    for (i, run) in evidence.runs.iter().enumerate() {
        for (dark, suffix) in [(false, ""), (true, "-dark")] {
            let svg = spectrum_svg(run, &PlotOptions { dark, ..PlotOptions::default() });
            let stem = out.file_stem().unwrap_or_default().to_string_lossy();
            std::fs::write(out.with_file_name(format!("{stem}-{i}{suffix}.svg")), svg)?;
        }
    }
    println!("{}: {} pages, {} bytes", out.display(), rendered.pages, rendered.pdf.len());
    Ok(())
}
