//! Prints how fast captures are made, and the levels there are to find.
use std::ops::ControlFlow;
use std::time::Instant;

fn main() {
    for l in scenario::field_truth() {
        println!("{} {:.0} MHz {:.1} dBuV/m {:.1} dBuV margin {:.1}", l.multiple, l.frequency_hz / 1e6, l.field_dbuv_per_m, l.analyser_dbuv, l.margin_db);
    }
    for spec in scenario::story().captures {
        let start = Instant::now();
        let (mut n, mut peak) = (0usize, 0i16);
        let mut all: Vec<u8> = Vec::new();
        let keep = std::env::args().nth(1);
        let _ = scenario::synthesise(&spec, &mut |b| {
            n += b.len();
            peak = b.iter().fold(peak, |p, v| p.max(v.abs()));
            if keep.is_some() {
                all.extend(b.iter().flat_map(|v| v.to_le_bytes()));
            }
            ControlFlow::Continue(())
        });
        let t = start.elapsed().as_secs_f64();
        println!("{}: {n} samples in {t:.2} s, {:.0} MS/s, peak {peak} counts", spec.file_name, n as f64 / t / 1e6);
        if let Some(dir) = keep {
            std::fs::write(format!("{dir}/{}.raw", spec.file_name), all).unwrap();
        }
        let truth = scenario::truth(spec.kind);
        for l in truth.lines.iter().filter(|l| l.margin_db < 10.0) {
            println!(
                "  {:?} {} {:.4} MHz port {:.2} rx {:.2} margin {:.2}",
                l.kind,
                l.multiple,
                l.frequency_hz / 1e6,
                l.port_dbuv,
                l.receiver_dbuv,
                l.margin_db
            );
        }
    }
}
