//! Bars for somebody who watches: one for all files, and one for each that is under way.

use std::time::Duration;

use indicatif::{MultiProgress, ProgressBar, ProgressDrawTarget, ProgressStyle};

/// The bars of a run; drawn on standard error, and only where that is a terminal.
pub(super) struct Progress {
    all: MultiProgress,
    total: ProgressBar,
}

impl Progress {
    pub(super) fn new(files: usize, shown: bool) -> Self {
        let target = if shown { ProgressDrawTarget::stderr() } else { ProgressDrawTarget::hidden() };
        let all = MultiProgress::with_draw_target(target);
        let total = all.add(styled(files as u64, "{wide_bar} {pos} of {len} files"));
        Self { all, total }
    }

    /// A bar for a file that begins.
    pub(super) fn begin(&self, name: &str) -> ProgressBar {
        let bar = styled(0, "  {spinner} {wide_msg} {bytes} of {total_bytes}");
        let bar = self.all.insert_before(&self.total, bar);
        bar.set_message(name.to_owned());
        if !self.all.is_hidden() {
            bar.enable_steady_tick(Duration::from_millis(120));
        }
        bar
    }

    /// A file is done with.
    pub(super) fn end(&self, bar: &ProgressBar) {
        bar.finish_and_clear();
        self.all.remove(bar);
        self.total.inc(1);
    }

    /// Nothing is left on the terminal.
    pub(super) fn clear(&self) {
        self.total.finish_and_clear();
        let _ = self.all.clear();
    }
}

fn styled(length: u64, template: &str) -> ProgressBar {
    let bar = ProgressBar::with_draw_target(Some(length), ProgressDrawTarget::hidden());
    match ProgressStyle::with_template(template) {
        Ok(style) => bar.with_style(style),
        Err(_) => bar,
    }
}
