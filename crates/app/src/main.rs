//! The `hushfield` binary: thin over the workbench. It parses, calls, prints, and gives the exit code.

mod args;
mod beside_text;
mod campaign_commands;
mod cause_commands;
mod chance_commands;
mod choices;
mod draw;
mod fix_commands;
mod flicker_commands;
mod immunity_commands;
mod instrument_commands;
mod interrupt;
mod live_commands;
mod locate_commands;
mod log_commands;
mod mains_commands;
mod network_commands;
mod outcome;
mod predict_commands;
mod print;
mod progress;
mod project_commands;
mod proof_commands;
mod ready_command;
mod rig_commands;
mod scan_commands;
mod server;
mod sheet_commands;
mod shield_commands;
mod stress_commands;
mod survey_commands;
mod threshold_commands;
mod trace_commands;
mod upset_commands;

use std::process::ExitCode;

use args::{Cli, Command};
use clap::{CommandFactory, Parser};
use outcome::{Failure, Outcome};

fn main() -> ExitCode {
    let cli = Cli::parse();
    match dispatch(cli) {
        Ok(outcome) => outcome.exit_code(),
        Err(failure) => {
            // A reader of our output that went away (head, a pager) is no failure.
            if failure.is_broken_pipe() {
                return ExitCode::SUCCESS;
            }
            eprintln!("hushfield: {failure}");
            failure.exit_code()
        }
    }
}

fn dispatch(cli: Cli) -> Result<Outcome, Failure> {
    let show = print::Show { json: cli.json, quiet: cli.quiet };
    trace_commands::choose_instructions()?;
    match cli.command {
        Command::Demo { dir } => project_commands::demo(show, &dir),
        Command::New { dir } => project_commands::new(show, &dir),
        Command::Plan(a) => campaign_commands::plan_command(show, &a),
        Command::Days(a) => campaign_commands::days_command(show, &a),
        Command::Ready(a) => ready_command::ready_command(show, &a),
        Command::Receive(a) => trace_commands::receive(show, &a),
        Command::Judge(a) => trace_commands::judge(show, &a),
        Command::Limits { id, project } => trace_commands::limits(show, id.as_deref(), project.as_deref()),
        Command::Uncertainty(a) => chance_commands::uncertainty(show, &a),
        Command::Chance(a) => chance_commands::chance_command(show, &a),
        Command::Offset(a) => chance_commands::offset_command(show, &a),
        Command::Series(a) => chance_commands::series(show, &a),
        Command::Compare(a) => chance_commands::compare_command(show, &a),
        Command::Next(a) => chance_commands::next_command(show, &a),
        Command::Inspect { file, sweep, capture } => trace_commands::inspect(show, &file, &sweep, &capture),
        Command::Run(a) => project_commands::run(show, &a),
        Command::Runs { dir, run, all } => project_commands::runs(show, &dir, run.as_deref(), all),
        Command::Check { dir } => project_commands::check(show, &dir),
        Command::Verify(a) => proof_commands::verify_command(show, &a),
        Command::Matrix(a) => proof_commands::matrix_command(show, &a),
        Command::TechnicalFile(a) => proof_commands::technical_file_command(show, &a),
        Command::Recover { dir } => proof_commands::recover_command(show, &dir),
        Command::Export(a) => proof_commands::export(show, &a),
        Command::Import(a) => proof_commands::import(show, &a),
        Command::Add(a) => project_commands::add(show, a),
        Command::Report { dir, out } => project_commands::report(show, &dir, out.as_deref()),
        Command::Serve { dir, port } => {
            project::Project::open(&dir).map_err(|e| Failure::from(workbench::WorkError::from(e)))?;
            let runtime = tokio::runtime::Runtime::new().map_err(|e| Failure::ours(format!("no threads: {e}")))?;
            runtime
                .block_on(server::serve(dir, port, false))
                .map(|()| Outcome::Done)
                .map_err(|e| Failure::input(format!("serve: {e:#}")))
        }
        Command::RunSheet(a) => sheet_commands::run_sheet(show, &a),
        Command::Log(a) => log_commands::log(show, &a),
        Command::Rig(a) => rig_commands::rig(show, &a),
        Command::Surge(a) => stress_commands::surge(show, &a),
        Command::Dips(a) => stress_commands::dips(show, &a),
        Command::Threshold(a) => threshold_commands::threshold(show, &a),
        Command::Upset(a) => upset_commands::upset(show, &a),
        Command::Waveform(a) => immunity_commands::waveform(show, &a),
        Command::Cause(a) => cause_commands::cause(show, &a),
        Command::Locate(a) => locate_commands::locate(show, &a),
        Command::Scan(a) => scan_commands::scan(show, &a),
        Command::Fix(a) => fix_commands::fix(show, &a),
        Command::Parts(a) => fix_commands::parts(show, &a),
        Command::Ferrite(a) => shield_commands::ferrite(show, &a),
        Command::Screen(a) => shield_commands::screen(show, &a),
        Command::Protect(a) => shield_commands::protect(show, &a),
        Command::ArtificialNetwork(a) => fix_commands::artificial_network(show, &a),
        Command::Network(a) => network_commands::network(show, &a),
        Command::Flicker(a) => flicker_commands::flicker(show, &a),
        Command::Predict(a) => predict_commands::predict(show, &a),
        Command::Harmonics(a) => mains_commands::harmonics(show, &a),
        Command::MainsRun(a) => mains_commands::mains_run(show, &a),
        Command::HarmonicsClass(a) => mains_commands::harmonics_class(show, &a),
        Command::Conductors(a) => survey_commands::conductors(show, &a),
        Command::Survey(a) => survey_commands::survey(show, &a),
        Command::Angles(a) => survey_commands::angles(show, &a),
        Command::Distance(a) => survey_commands::distance(show, &a),
        Command::Site(a) => survey_commands::site(show, &a),
        Command::Ambient(a) => survey_commands::ambient(show, &a),
        Command::Instrument(c) => instrument_commands::instrument(show, &c),
        Command::SimulateInstrument(a) => instrument_commands::simulate(show, &a),
        Command::Completions { shell } => {
            let mut text = Vec::new();
            clap_complete::generate(shell, &mut Cli::command(), "hushfield", &mut text);
            print::bytes(&text)?;
            Ok(Outcome::Done)
        }
        Command::Man => {
            let mut text = Vec::new();
            clap_mangen::Man::new(Cli::command())
                .render(&mut text)
                .map_err(|e| Failure::ours(format!("the man page could not be made: {e}")))?;
            for sub in Cli::command().get_subcommands().filter(|s| !s.is_hide_set()) {
                let page = clap_mangen::Man::new(sub.clone()).title(format!("hushfield-{}", sub.get_name()));
                page.render(&mut text).map_err(|e| Failure::ours(format!("the man page could not be made: {e}")))?;
            }
            print::bytes(&text)?;
            Ok(Outcome::Done)
        }
    }
}
