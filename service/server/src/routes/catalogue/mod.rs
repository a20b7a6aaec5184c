//! `/v1/catalogue`.

pub mod get;
pub mod list;

use condyle_api::{CatalogueBand, CatalogueEntry};
use condyle_core::check::{Bound, Descriptor, On, Stability};

/// The wire form of a check.
pub fn entry(check: &Descriptor, with_page: bool) -> CatalogueEntry {
    let source = |on: On| match on {
        On::PLAN => "plan",
        On::GLTF => "gltf",
        _ => "any",
    };
    CatalogueEntry {
        id: check.id.to_owned(),
        summary: check.summary.to_owned(),
        why: check.why.to_owned(),
        source: check.rule.title.to_owned(),
        section: check.rule.section.to_owned(),
        bands: check
            .bands
            .iter()
            .map(|band| CatalogueBand {
                name: band.name.to_owned(),
                source: source(band.on).to_owned(),
                limit: (band.bound != Bound::Fact).then_some(band.limit),
                unit: band.unit.to_owned(),
                severity: band.severity,
            })
            .collect(),
        stability: if check.stability == Stability::Live { "live" } else { "preview" }.to_owned(),
        since: check.since.to_owned(),
        page: with_page.then(|| check.page.to_owned()),
    }
}
