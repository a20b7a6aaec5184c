//! A figure read back, and what must be true of every one.

use std::collections::{BTreeMap, BTreeSet};

use condyle_core::figure::{Figure, MOST_PLACES};
use condyle_core::report::Report;
use roxmltree::{Document, Node};

/// Bytes that no figure exceeds.
pub(crate) const MOST_BYTES: usize = 2_000_000;

/// A rectangle: left, top, right, bottom.
pub(crate) type Rectangle = [f64; 4];

pub(crate) fn number(node: Node<'_, '_>, name: &str) -> f64 {
    let text = node.attribute(name).unwrap_or_else(|| panic!("{:?} has no {name}", node.tag_name()));
    let value: f64 = text.parse().unwrap_or_else(|_| panic!("{name} is {text}"));
    assert!(value.is_finite(), "{name} is {text}");
    value
}

/// Two numbers of one attribute.
pub(crate) fn pair(node: Node<'_, '_>, name: &str) -> [f64; 2] {
    let text = node.attribute(name).unwrap_or_else(|| panic!("no {name}"));
    let list: Vec<f64> = text.split(' ').map(|one| one.parse().unwrap()).collect();
    [list[0], list[1]]
}

pub(crate) fn with<'a, 'd>(node: Node<'a, 'd>, name: &str) -> Vec<Node<'a, 'd>> {
    node.descendants().filter(|one| one.has_attribute(name)).collect()
}

fn overlap(a: &Rectangle, b: &Rectangle) -> bool {
    a[0] < b[2] && b[0] < a[2] && a[1] < b[3] && b[1] < a[3]
}

/// Everything that holds for every figure.
pub(crate) fn examine(figure: &Figure, report: &Report) {
    let svg = &figure.svg;
    assert!(svg.len() <= MOST_BYTES, "{} bytes", svg.len());
    let document = Document::parse(svg).unwrap_or_else(|error| panic!("not well-formed: {error}"));
    let root = document.root_element();
    assert_eq!(root.tag_name().name(), "svg");
    harmless(root);
    let page = [0.0, 0.0, number(root, "width"), number(root, "height")];
    assert!(page[3] < 6_000.0, "{} tall", page[3]);
    texts_stay_on_the_page(root, &page);
    labels(root, &page);
    marks(root, figure, report);
}

/// Nothing runs, nothing is fetched, and nothing can meet the page that it stands in.
fn harmless(root: Node<'_, '_>) {
    let known = ["svg", "title", "desc", "g", "path", "rect", "circle", "text"];
    for node in root.descendants().filter(Node::is_element) {
        assert!(known.contains(&node.tag_name().name()), "{:?}", node.tag_name());
        for attribute in node.attributes() {
            let name = attribute.name();
            assert!(!name.starts_with("on") && !name.contains("href"), "{name}");
            assert!(!["id", "class", "style"].contains(&name), "{name}");
            assert!(!attribute.value().contains("url("), "{}", attribute.value());
        }
    }
    let turns = |c: char| matches!(c, '\u{202a}'..='\u{202e}' | '\u{2066}'..='\u{2069}' | '\u{200e}' | '\u{200f}' | '\u{61c}');
    assert!(!root.document().input_text().contains(turns));
}

/// The box that a text keeps to, by its own `textLength`.
fn extent(text: Node<'_, '_>) -> Rectangle {
    let (x, y, size) = (number(text, "x"), number(text, "y"), number(text, "font-size"));
    let long = number(text, "textLength");
    let left = match text.attribute("text-anchor") {
        Some("end") => x - long,
        Some("middle") => x - long / 2.0,
        _ => x,
    };
    [left, y - 0.75 * size, left + long, y + 0.25 * size]
}

fn texts_stay_on_the_page(root: Node<'_, '_>, page: &Rectangle) {
    for text in root.descendants().filter(|node| node.has_attribute("textLength")) {
        let at = extent(text);
        let inside = at[0] >= 0.0 && at[1] >= 0.0 && at[2] <= page[2] && at[3] <= page[3];
        assert!(inside, "{:?} stands at {at:?} of {page:?}", text.text());
    }
}

fn labels(root: Node<'_, '_>, page: &Rectangle) {
    let mut boxes: Vec<(String, Rectangle)> = Vec::new();
    for view in with(root, "data-view") {
        let name = view.attribute("data-view").unwrap();
        for label in with(view, "data-label") {
            let rectangle = label.children().find(|one| one.has_tag_name("rect")).expect("a label has a box");
            let [x, y, w, h] = ["x", "y", "width", "height"].map(|name| number(rectangle, name));
            let at = [x, y, x + w, y + h];
            assert!(x >= 0.0 && y >= 0.0 && at[2] <= page[2] && at[3] <= page[3], "{at:?} leaves the page");
            for text in label.children().filter(|one| one.has_tag_name("text")) {
                let own = extent(text);
                // A tenth of a unit is what numbers are written to.
                let inside =
                    own[0] >= at[0] - 0.2 && own[2] <= at[2] + 0.2 && own[1] >= at[1] && own[3] <= at[3];
                assert!(inside, "{:?}: {own:?} in {at:?}", text.text());
            }
            boxes.push((format!("{name} {}", label.attribute("data-label").unwrap()), at));
        }
        leads(view);
    }
    for (index, (name, one)) in boxes.iter().enumerate() {
        for (other, two) in &boxes[index + 1..] {
            assert!(!overlap(one, two), "the labels {name} and {other} overlap: {one:?} {two:?}");
        }
    }
}

/// No two lines from labels to their places cross.
fn leads(view: Node<'_, '_>) {
    let Some(path) = view.descendants().find(|node| node.attribute("data-part") == Some("leads")) else {
        return;
    };
    let ends: Vec<[f64; 4]> = path
        .attribute("d")
        .unwrap()
        .split('M')
        .skip(1)
        .map(|stretch| {
            let list: Vec<f64> = stretch.split([' ', 'L']).map(|one| one.parse().unwrap()).collect();
            [list[0], list[1], list[2], list[3]]
        })
        .collect();
    let turn =
        |p: [f64; 2], q: [f64; 2], r: [f64; 2]| (q[0] - p[0]) * (r[1] - p[1]) - (q[1] - p[1]) * (r[0] - p[0]);
    for (index, one) in ends.iter().enumerate() {
        for two in &ends[index + 1..] {
            let (a, b, c, d) = ([one[0], one[1]], [one[2], one[3]], [two[0], two[1]], [two[2], two[3]]);
            // Written to a tenth: lines that meet at one place are not held to less than that.
            let least = 0.2 * (a[0] - b[0]).hypot(a[1] - b[1]).max((c[0] - d[0]).hypot(c[1] - d[1]));
            let apart = |x: f64, y: f64| (x > least && y < -least) || (x < -least && y > least);
            let cross = apart(turn(a, b, c), turn(a, b, d)) && apart(turn(c, d, a), turn(c, d, b));
            assert!(!cross, "{one:?} and {two:?} cross");
        }
    }
}

fn marks(root: Node<'_, '_>, figure: &Figure, report: &Report) {
    let severities: BTreeMap<&str, &str> =
        report.findings.iter().map(|f| (f.fingerprint.as_str(), f.severity.word())).collect();
    let mut keyed: BTreeMap<&str, BTreeSet<&str>> = BTreeMap::new();
    for entry in with(root, "data-key") {
        let findings: BTreeSet<&str> = with(entry, "data-findings")
            .into_iter()
            .flat_map(|line| line.attribute("data-findings").unwrap().split(' '))
            .collect();
        assert!(!findings.is_empty());
        keyed.insert(entry.attribute("data-key").unwrap(), findings);
    }
    let listed: BTreeMap<String, u32> = keyed
        .iter()
        .flat_map(|(number, list)| list.iter().map(|one| ((*one).to_owned(), number.parse().unwrap())))
        .collect();
    assert_eq!(listed, figure.numbers, "the key has every number that is given out");
    assert!(
        listed.keys().all(|one| severities.contains_key(one.as_str())),
        "the key tells of no other findings"
    );
    for view in with(root, "data-view") {
        let numbers = |name: &str| -> BTreeSet<String> {
            with(view, name).into_iter().map(|one| one.attribute(name).unwrap().to_owned()).collect()
        };
        let (drawn, labelled) = (numbers("data-mark"), numbers("data-label"));
        assert_eq!(drawn, labelled, "every mark has a label");
        assert_eq!(drawn, keyed.keys().map(|one| (*one).to_owned()).collect(), "every mark is in the key");
        for mark in with(view, "data-mark") {
            let list = &keyed[mark.attribute("data-mark").unwrap()];
            let worst =
                ["error", "warning", "note"].into_iter().find(|s| list.iter().any(|f| severities[f] == *s));
            assert_eq!(mark.attribute("data-severity"), worst, "a mark shows the worst of its findings");
        }
    }
    assert!(keyed.len() <= MOST_PLACES);
}

/// Findings on joints that stand somewhere are in the key, unless the places ran out.
pub(crate) fn all_joints_with_findings_are_marked(figure: &Figure, report: &Report) {
    let places: BTreeSet<u32> = figure.numbers.values().copied().collect();
    let full = places.len() == MOST_PLACES || figure.svg.contains("a figure marks");
    for finding in report.findings.iter().filter(|f| f.waiver.is_none() && f.subject.kind == "joint") {
        assert!(full || figure.numbers.contains_key(&finding.fingerprint), "{} is missing", finding.message);
    }
}
