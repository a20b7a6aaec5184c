//! The catalogue as a whole: ids, pages, bands, wording.
#![allow(clippy::unwrap_used, clippy::expect_used)]

use std::collections::BTreeSet;
use std::path::{Path, PathBuf};

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
        let intro = check.page.lines().nth(2).unwrap_or_default();
        assert!(
            intro.starts_with("Finds ") && intro.ends_with('.'),
            "{}: say what it finds: {intro}",
            check.id
        );
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
fn every_check_has_two_firing_and_two_clean_examples() {
    for check in CHECKS {
        let blocks = |heading: &str| section(check.page, heading).matches("\n```rig\n").count();
        assert!(blocks("## Examples that fire") >= 2, "{}", check.id);
        assert!(blocks("## Examples that are clean") >= 2, "{}", check.id);
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

/// Reads the sources: an id is its path, and nothing but the registry knows how many checks there are.
#[test]
fn a_check_is_one_file_pair_at_the_path_of_its_id() {
    let mut found: Vec<String> = Vec::new();
    for (family, name, source) in sources() {
        let id = format!("{family}/{}", name.replace('_', "-"));
        assert!(source.contains(&format!("id: \"{id}\"")), "{family}/{name}.rs has another id than {id}");
        assert!(source.contains(&format!("include_str!(\"{name}.md\")")), "{id}: the page has another name");
        found.push(id);
    }
    found.sort_unstable();
    let ids: Vec<&str> = CHECKS.iter().map(|check| check.id).collect();
    assert_eq!(found, ids, "files and registry differ");
}

#[test]
fn settings_are_declared_where_they_are_read_and_read_where_they_are_declared() {
    for (family, name, source) in sources() {
        let id = format!("{family}/{}", name.replace('_', "-"));
        let declared: BTreeSet<&str> =
            CHECKS.iter().filter(|check| check.id == id).flat_map(|c| c.settings).map(|s| s.name).collect();
        let read: BTreeSet<&str> = code(&source)
            .split(".setting(\"")
            .skip(1)
            .map(|rest| rest.split('"').next().unwrap_or_default())
            .collect();
        assert_eq!(read, declared, "{id}");
    }
}

/// The sink stamps ids, severities and profile limits; a check that does so itself can be wrong about them.
#[test]
fn no_check_formats_an_id_or_picks_a_severity() {
    for (family, name, source) in sources() {
        let (head, function) = source.split_once("\nfn run(").expect("every check has a function called run");
        let function = code(function);
        for word in ["Severity::", ".severity", "CHECK.id", "Finding {"] {
            assert!(!function.contains(word), "{family}/{name}.rs says {word} outside its descriptor");
        }
        for check in CHECKS {
            assert!(!function.contains(check.id), "{family}/{name}.rs writes the id {}", check.id);
        }
        assert!(
            head.contains("pub static CHECK: Descriptor"),
            "{family}/{name}.rs: the descriptor comes first"
        );
    }
}

/// Every limit a check asks for, or judges by, is a case of one of its bands, and no band is left unasked.
#[test]
fn cases_are_those_of_the_bands() {
    for (family, name, source) in sources() {
        let id = format!("{family}/{}", name.replace('_', "-"));
        let Some(check) = CHECKS.iter().find(|check| check.id == id) else { continue };
        let function = code(source.split_once("\nfn run(").map_or("", |(_, function)| function)).to_owned();
        for band in check.bands {
            let quoted = format!("\"{}\"", band.case);
            assert!(
                function.contains(&quoted),
                "{id}: nothing asks for the case {quoted} of band {}",
                band.name
            );
        }
    }
}

/// Family, stem and text of every check's Rust file.
fn sources() -> Vec<(String, String, String)> {
    let root = Path::new(env!("CARGO_MANIFEST_DIR")).join("src/checks");
    let mut list = Vec::new();
    for family in read_dir(&root).filter(|path| path.is_dir()) {
        for file in read_dir(&family).filter(|path| path.extension().is_some_and(|e| e == "rs")) {
            let stem = |path: &Path| path.file_stem().unwrap().to_string_lossy().into_owned();
            if stem(&file) != "mod" {
                let text = std::fs::read_to_string(&file).unwrap();
                list.push((stem(&family), stem(&file), text));
            }
        }
    }
    assert!(!list.is_empty());
    list.sort_unstable();
    list
}

fn read_dir(path: &Path) -> impl Iterator<Item = PathBuf> {
    std::fs::read_dir(path).unwrap().map(|entry| entry.unwrap().path())
}

/// A check's text without its unit tests.
fn code(source: &str) -> &str {
    source.split("\n#[cfg(").next().unwrap_or_default()
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
