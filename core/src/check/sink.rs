//! The only way a finding is made: it stamps the band and severity that the profile gave.

use super::{CheckSettings, Descriptor, On};
use crate::check::Bound;
use crate::finding::Fact;
use crate::model::Source;
use crate::report::Severity;

/// A broken limit.
#[derive(Debug, Clone, Copy)]
pub struct Hit {
    /// The limit, for messages and evidence; `None` where the fact itself is the breach.
    pub limit: Option<f64>,
    pub(crate) severity: Severity,
}

impl Hit {
    /// The limit as a number (NaN where there is none: a check with `Bound::Fact` does not ask).
    pub fn bound(&self) -> f64 {
        self.limit.unwrap_or(f64::NAN)
    }
}

/// Collects the facts of one check.
pub struct Sink<'a> {
    descriptor: &'static Descriptor,
    settings: &'a CheckSettings,
    on: On,
    facts: Vec<(Severity, Fact)>,
    left_out: Option<String>,
}

impl<'a> Sink<'a> {
    pub(crate) fn new(descriptor: &'static Descriptor, settings: &'a CheckSettings, source: Source) -> Self {
        Self { descriptor, settings, on: source.into(), facts: Vec::new(), left_out: None }
    }

    /// Judges `measured` against every band of `case`: the most severe broken one, or nothing. NaN breaks nothing.
    pub fn judge(&self, case: &str, measured: f64) -> Option<Hit> {
        self.descriptor
            .bands
            .iter()
            .zip(&self.settings.bands)
            .filter(|(band, _)| band.case == case && band.on.contains(self.on))
            .filter_map(|(band, now)| {
                let broken = match band.bound {
                    Bound::Above => measured > now.limit,
                    Bound::Below => measured < now.limit,
                    Bound::Fact => true,
                };
                let limit = (band.bound != Bound::Fact).then_some(now.limit);
                now.severity.filter(|_| broken).map(|severity| Hit { limit, severity })
            })
            .min_by_key(|hit| hit.severity)
    }

    /// Judges a fact that has no number.
    pub fn breach(&self, case: &str) -> Option<Hit> {
        self.judge(case, f64::NAN)
    }

    /// The loosest limit of `case` that is not off: below it (above it, for `Bound::Below`) nothing is reported.
    pub fn limit(&self, case: &str) -> Option<f64> {
        self.descriptor
            .bands
            .iter()
            .zip(&self.settings.bands)
            .filter(|(band, now)| band.case == case && band.on.contains(self.on) && now.severity.is_some())
            .map(|(_, now)| now.limit)
            .min_by(f64::total_cmp)
    }

    /// Reports a fact under the band that it broke.
    pub fn report(&mut self, hit: Hit, fact: Fact) {
        self.facts.push((hit.severity, fact));
    }

    /// Says that the check looked at a part only, and at what it did not: half a sentence, lower-case start, no final
    /// stop.
    pub fn left_out(&mut self, what: Option<String>) {
        self.left_out = what.or(self.left_out.take());
    }

    pub(crate) fn finish(self) -> (Vec<(Severity, Fact)>, Option<String>) {
        (self.facts, self.left_out)
    }
}
