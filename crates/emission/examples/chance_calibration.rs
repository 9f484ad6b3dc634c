//! Holds the chance of passing against simulated campaigns: by tenths of the scale, and for chances between 20 and 80 % by how
//! the product's margins spread, how many emissions there are and what else differs. `--campaigns N`.

use std::collections::BTreeMap;

use emission::chance::simulation::{calibration, draw_open_campaign, open_calibration};
use emission::chance::{ChanceOptions, probability_of_passing};
use emission::random::Random;

const FORMS: [&str; 5] = ["normal", "even", "skewed either way", "two families", "falling with frequency"];

fn main() {
    let asked = std::env::args().skip_while(|a| a != "--campaigns").nth(1).and_then(|n| n.parse().ok());
    let campaigns = asked.unwrap_or(10_000);
    let options = ChanceOptions { spread_draws: 32, deviation_draws: 32, ..ChanceOptions::default() };
    for (name, deciles) in
        [("all", calibration(campaigns, 2, &options)), ("open", open_calibration(campaigns, 2, &options))]
    {
        println!("{name}: said from  to   campaigns  mean said  passed  standard error");
        for d in deciles {
            println!(
                "    {:4.1} {:5.1} {:9}     {:6.3}   {:6.3}   {:6.3}",
                d.from, d.to, d.campaigns, d.said, d.passed, d.standard_error
            );
        }
    }
    let mut sums: BTreeMap<String, (f64, f64, f64)> = BTreeMap::new();
    for c in 0..campaigns {
        let campaign = draw_open_campaign(&mut Random::new(700_000_000 + c as u64));
        let p = probability_of_passing(&campaign.situation(), &options);
        if !(0.2..0.8).contains(&p) {
            continue;
        }
        let count = match campaign.emissions.len() {
            0..5 => "2 to 4",
            5..12 => "5 to 11",
            _ => "12 to 30",
        };
        let groups = [
            format!("margins {}", FORMS[campaign.form]),
            format!("emissions {count}"),
            format!("pairs {}", if campaign.pairs.is_empty() { "none" } else { "some" }),
            format!("bench {}", campaign.bench.id),
            "all".to_owned(),
        ];
        for group in groups {
            let sum = sums.entry(group).or_default();
            sum.0 += 1.0;
            sum.1 += p;
            sum.2 += f64::from(u8::from(campaign.passes()));
        }
    }
    println!("\nsaid 20 to 80 %                  campaigns  mean said  passed  standard error");
    for (name, (n, said, passed)) in sums {
        let share: f64 = passed / n;
        let error = (share * (1.0 - share) / n).sqrt();
        println!("{name:30} {n:11}     {:6.3}   {share:6.3}   {error:6.3}", said / n);
    }
}
