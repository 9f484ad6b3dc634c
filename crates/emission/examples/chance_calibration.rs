//! Holds the chance of passing against 10,000 simulated campaigns and prints it by deciles. `--campaigns N`.

use emission::chance::{ChanceOptions, simulation::calibration};

fn main() {
    let campaigns = std::env::args().skip_while(|a| a != "--campaigns").nth(1).and_then(|n| n.parse().ok());
    let options = ChanceOptions { spread_draws: 32, deviation_draws: 32, ..ChanceOptions::default() };
    println!("said from  to   campaigns  mean said  passed  standard error");
    for d in calibration(campaigns.unwrap_or(10_000), 2, &options) {
        println!(
            "    {:4.1} {:5.1} {:9}     {:6.3}   {:6.3}   {:6.3}",
            d.from, d.to, d.campaigns, d.said, d.passed, d.standard_error
        );
    }
}
