use std::io::IsTerminal;
use std::ops::ControlFlow;
use std::time::Duration;

use indicatif::{ProgressBar, ProgressStyle};
use workbench::Stage;

/// Progress on standard error: a bar on a terminal, nothing elsewhere. Ctrl-C stops the work at the next report.
pub(crate) struct Bar {
    bar: ProgressBar,
    what: &'static str,
}

impl Bar {
    pub(crate) fn new(quiet: bool) -> Self {
        let bar = if quiet || !std::io::stderr().is_terminal() {
            ProgressBar::hidden()
        } else {
            let bar = ProgressBar::new(1000);
            let style = ProgressStyle::with_template("{msg:28} {bar:32} {percent:>3} %  {eta} left");
            bar.set_style(style.unwrap_or_else(|_| ProgressStyle::default_bar()));
            bar.enable_steady_tick(Duration::from_millis(200));
            bar
        };
        crate::interrupt::listen();
        Self { bar, what: "" }
    }

    pub(crate) fn tell(&mut self, stage: &Stage) -> ControlFlow<()> {
        if self.what != stage.what {
            self.what = stage.what;
            self.bar.reset();
            self.bar.set_message(stage.what);
        }
        if let Some(share) = stage.fraction {
            self.bar.set_position((share.clamp(0.0, 1.0) * 1000.0) as u64);
        }
        if crate::interrupt::asked() { ControlFlow::Break(()) } else { ControlFlow::Continue(()) }
    }
}

impl Drop for Bar {
    fn drop(&mut self) {
        self.bar.finish_and_clear();
    }
}
