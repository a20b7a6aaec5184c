//! The catalogue as a whole: ids, pages, bands, wording.
#![allow(clippy::unwrap_used, clippy::expect_used)]

use condyle_core::check::{Bound, CHECKS, Descriptor, On, Setting};

const HEADINGS: [&str; 7] = [
    "## Why it matters",
    "## How it is measured",
    "## Limits",
    "## Source",
    "## Examples that fire",
    "## Examples that are clean",
    "## How to fix it",
];

#[test]
fn ids_are_unique_sorted_and_snapshotted() {
    let ids: Vec<&str> = CHECKS.iter().map(|check| check.id).collect();
    assert!(ids.windows(2).all(|pair| pair[0] < pair[1]), "sorted, each once: {ids:?}");
    let kept: Vec<&str> = include_str!("catalogue_ids.txt").lines().collect();
    assert_eq!(ids, kept, "an id is a promise; a deliberate change goes into core/tests/catalogue_ids.txt");
}

#[test]
fn pages_have_every_heading_once_and_in_order() {
    for check in CHECKS {
        let found: Vec<&str> = prose(check.page).filter(|line| line.starts_with('#')).collect();
        let mut wanted = vec![format!("# {}", check.id)];
        wanted.extend(HEADINGS.iter().map(|h| (*h).to_owned()));
        assert_eq!(found, wanted, "{}", check.id);
        for heading in &HEADINGS {
            assert!(!section(check.page, heading).trim().is_empty(), "{}: {heading} is empty", check.id);
        }
    }
}

#[test]
fn limits_on_pages_are_the_descriptors_bands() {
    for check in CHECKS {
        let text = section(check.page, "## Limits");
        let table: Vec<&str> = text.lines().filter(|line| line.starts_with('|')).collect();
        assert_eq!(table, limits(check), "{}", check.id);
        for Setting { name, .. } in check.settings {
            assert!(text.contains(&format!("`{name}`")), "{}: setting {name} is not on the page", check.id);
        }
    }
}

#[test]
fn pages_name_their_source() {
    for check in CHECKS {
        let text = section(check.page, "## Source");
        assert!(text.contains(check.rule.title), "{}: {}", check.id, check.rule.title);
        assert!(text.contains(check.rule.section), "{}: {}", check.id, check.rule.section);
    }
}

#[test]
fn every_check_has_a_firing_and_a_clean_example() {
    for check in CHECKS {
        let blocks = |heading: &str| section(check.page, heading).matches("\n```rig\n").count();
        assert!(blocks("## Examples that fire") > 0, "{}", check.id);
        assert!(blocks("## Examples that are clean") > 0, "{}", check.id);
    }
}

#[test]
fn every_band_is_shown_by_an_example_of_its_kind_and_severity() {
    for check in CHECKS {
        let text = section(check.page, "## Examples that fire");
        let blocks: Vec<&str> = text.split("```rig\n").skip(1).collect();
        for band in check.bands {
            let Some(severity) = band.severity else { continue };
            let wanted = format!("{} {}", check.id, severity.word());
            let shown = blocks.iter().any(|block| {
                let on = if block.starts_with("plan") { On::PLAN } else { On::GLTF };
                band.on.contains(on) && block.contains(&wanted)
            });
            assert!(shown, "{}: no example of band {} ({wanted})", check.id, band.name);
        }
    }
}

#[test]
fn one_liners_start_lower_case_and_have_no_final_stop() {
    for check in CHECKS {
        for text in [check.summary, check.why] {
            assert!(text.starts_with(|c: char| c.is_lowercase()), "{}: {text}", check.id);
            assert!(!text.ends_with(['.', '!', '?']), "{}: {text}", check.id);
        }
    }
}

#[test]
fn bands_and_settings_have_names_of_their_own() {
    for check in CHECKS {
        let mut names: Vec<&str> = check.bands.iter().map(|band| band.name).collect();
        names.extend(check.settings.iter().map(|setting| setting.name));
        let count = names.len();
        names.sort_unstable();
        names.dedup();
        assert_eq!(names.len(), count, "{}", check.id);
        assert!(check.bands.iter().all(|band| check.on.contains(band.on)), "{}", check.id);
        assert!(check.id.starts_with(check.family()), "{}", check.id);
    }
}

/// The table of a check's bands, line by line.
fn limits(check: &Descriptor) -> Vec<String> {
    let mut lines =
        vec!["| name | on | limit | unit | severity |".to_owned(), "|---|---|---|---|---|".to_owned()];
    for band in check.bands {
        let on = match band.on {
            On::PLAN => "plan",
            On::GLTF => "glTF",
            _ => "both",
        };
        let (limit, unit) = match band.bound {
            Bound::Fact => ("–".to_owned(), "–"),
            Bound::Above => (format!("above {}", band.limit), band.unit),
            Bound::Below => (format!("below {}", band.limit), band.unit),
        };
        let severity = band.severity.map_or("off", condyle_core::report::Severity::word);
        lines.push(format!("| {} | {on} | {limit} | {unit} | {severity} |", band.name));
    }
    lines
}

/// Lines outside fenced blocks.
fn prose(page: &str) -> impl Iterator<Item = &str> {
    let mut fenced = false;
    page.lines().filter(move |line| {
        let fence = line.starts_with("```");
        fenced ^= fence;
        !fenced && !fence
    })
}

/// The text between a heading and the next one.
fn section<'p>(page: &'p str, heading: &str) -> &'p str {
    let start = page.find(&format!("\n{heading}\n")).map_or(page.len(), |at| at + heading.len() + 1);
    let rest = &page[start..];
    rest.find("\n## ").map_or(rest, |end| &rest[..end])
}
