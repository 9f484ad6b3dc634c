//! Prints what there is to find in the demonstration, and how fast its captures are made.

use std::ops::ControlFlow;
use std::time::Instant;

fn main() {
    for spec in scenario::story().captures {
        let start = Instant::now();
        let (mut samples, mut highest) = (0usize, 0i16);
        let end = scenario::synthesise(&spec, &mut |block| {
            samples += block.len();
            highest = block.iter().fold(highest, |h, c| h.max(c.abs()));
            ControlFlow::Continue(())
        });
        assert!(end.is_continue());
        let rate = samples as f64 / start.elapsed().as_secs_f64() / 1e6;
        println!("{}: {} ({rate:.0} MS/s, highest count {highest})", spec.file_name, spec.title);
        for l in scenario::truth(spec.kind).lines.iter().filter(|l| l.margin_db < 12.0) {
            println!(
                "  {:9.4} MHz  {:?} × {}: {:.2} dBµV at the port, {:.2} dBµV at the receiver, margin {:.2} dB",
                l.frequency_hz / 1e6,
                l.kind,
                l.multiple,
                l.port_dbuv,
                l.receiver_dbuv,
                l.margin_db
            );
        }
    }
    println!("field at 3 m");
    for l in scenario::field_truth().iter().filter(|l| l.margin_db < 22.0) {
        println!(
            "  {:6.1} MHz  core clock × {}: {:.1} dBµV/m, margin {:.1} dB",
            l.frequency_hz / 1e6,
            l.multiple,
            l.field_dbuv_per_m,
            l.margin_db
        );
    }
}
