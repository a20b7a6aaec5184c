//! Severities can be told apart by those who see colours otherwise, and without any.
//!
//! Matrices: Machado, Oliveira, Fernandes, "A Physiologically-based Model for Simulation of Color Vision Deficiency",
//! IEEE TVCG 15 (6), 2009, for severity 1.0, on linear RGB (the numbers as colour-science 0.4.7 has them). CIELAB:
//! CIE 15. sRGB: IEC 61966-2-1.

use condyle_core::figure::{Options, figure};
use condyle_core::intake::{Bundle, Limits, Upload, read};
use libtest_mimic::Trial;
use roxmltree::Document;

use crate::checked;

const SEEN: [(&str, [[f64; 3]; 3]); 4] = [
    ("trichromat", [[1.0, 0.0, 0.0], [0.0, 1.0, 0.0], [0.0, 0.0, 1.0]]),
    (
        "protanope",
        [
            [0.152_286, 1.052_583, -0.204_868],
            [0.114_503, 0.786_281, 0.099_216],
            [-0.003_882, -0.048_116, 1.051_998],
        ],
    ),
    (
        "deuteranope",
        [
            [0.367_322, 0.860_646, -0.227_968],
            [0.280_085, 0.672_501, 0.047_413],
            [-0.011_820, 0.042_940, 0.968_881],
        ],
    ),
    (
        "tritanope",
        [
            [1.255_528, -0.076_749, -0.178_779],
            [-0.078_411, 0.930_809, 0.147_602],
            [0.004_733, 0.691_367, 0.303_900],
        ],
    ),
];

/// A difference that nobody overlooks: ten times what is just seen (ΔE of 2.3: Mahy and others 1994).
const CLEAR: f64 = 23.0;

pub(crate) fn trials() -> Vec<Trial> {
    vec![
        Trial::test("severities differ in colour for every eye, and in shape", || {
            differ();
            Ok(())
        }),
        Trial::test("colours of joints differ for every eye, and from the paper", || {
            palette();
            Ok(())
        }),
    ]
}

fn palette() {
    let all: Vec<&str> = condyle_core::bind::PALETTE.to_vec();
    for (index, one) in all.iter().enumerate() {
        for other in &all[index + 1..] {
            assert!(apart(one, other) >= CLEAR, "{one} and {other}: {:.1}", apart(one, other));
        }
        // Of paper, ink and the grey of the body they are told apart, too, if less.
        for other in ["#ffffff", "#1f2a30", "#e9e7e1"] {
            assert!(apart(one, other) >= 18.0, "{one} and {other}: {:.1}", apart(one, other));
        }
    }
}

/// The least difference for any eye.
fn apart(one: &str, other: &str) -> f64 {
    let seen = |matrix: [[f64; 3]; 3], hex: &str| {
        let rgb = linear(hex);
        lab(matrix.map(|row| row.iter().zip(rgb).map(|(a, b)| a * b).sum()))
    };
    let eyes = SEEN.iter().map(|(_, matrix)| {
        let (a, b) = (seen(*matrix, one), seen(*matrix, other));
        a.iter().zip(b).map(|(a, b)| (a - b).powi(2)).sum::<f64>().sqrt()
    });
    eyes.fold(f64::INFINITY, f64::min)
}

fn linear(hex: &str) -> [f64; 3] {
    [1, 3, 5].map(|at| {
        let c = f64::from(u8::from_str_radix(&hex[at..at + 2], 16).unwrap()) / 255.0;
        if c <= 0.04045 { c / 12.92 } else { ((c + 0.055) / 1.055).powf(2.4) }
    })
}

fn lab(rgb: [f64; 3]) -> [f64; 3] {
    let dot = |row: [f64; 3]| row.iter().zip(rgb).map(|(a, b)| a * b.clamp(0.0, 1.0)).sum::<f64>();
    let f = |t: f64| if t > 0.008_856 { t.cbrt() } else { 7.787 * t + 16.0 / 116.0 };
    let x = f(dot([0.4124, 0.3576, 0.1805]) / 0.9505);
    let y = f(dot([0.2126, 0.7152, 0.0722]));
    let z = f(dot([0.0193, 0.1192, 0.9505]) / 1.0890);
    [116.0 * y - 16.0, 500.0 * (x - y), 200.0 * (y - z)]
}

fn differ() {
    let plan = br#"{"schema": "condyle.plan/1", "asset": "eel", "joints": [
        {"name": "trunk", "origin": [0, 0, 0], "tip": [0, 0, 0], "parent": null},
        {"name": "fin", "origin": [0, 1, 0], "tip": [0, 1.2, 0], "parent": "trunk"},
        {"name": "fin_l", "origin": [0.1, 1, 0], "tip": [0.3, 1.2, 0], "parent": "fni"},
        {"name": "tail.001", "origin": [0, 0.4, 0], "tip": [0, 0.5, 0], "parent": "trunk"}]}"#;
    let bundle = Bundle { plan: Some(Upload { name: "it", bytes: plan }), ..Bundle::default() };
    let intake = read(&bundle, &Limits::default()).unwrap();
    let mut report = checked(&intake);
    // One of each, whatever the catalogue thinks of them.
    let kinds = ["error", "warning", "note"];
    for (finding, kind) in report.findings.iter_mut().zip(kinds.iter().cycle()) {
        finding.severity = serde_json::from_value(serde_json::json!(kind)).unwrap();
    }
    assert!(report.findings.len() >= 3);
    let svg = figure(&intake.rig, "eel", Some(&report), &Options::default()).svg;
    let document = Document::parse(&svg).unwrap();
    let mut marks = Vec::new();
    for kind in kinds {
        // From the key, where each finding has the sign of its own severity.
        let printed: Vec<&str> = report
            .findings
            .iter()
            .filter(|f| f.severity.word() == kind)
            .map(|f| f.fingerprint.as_str())
            .collect();
        let line = document
            .descendants()
            .find(|n| {
                n.attribute("data-findings")
                    .is_some_and(|list| list.split(' ').any(|one| printed.contains(&one)))
            })
            .unwrap_or_else(|| panic!("no {kind} in the key"));
        let signs: Vec<_> =
            line.children().filter(|n| n.has_tag_name("path") || n.has_tag_name("circle")).collect();
        let shape: Vec<String> = signs
            .iter()
            .map(|n| format!("{} {}", n.tag_name().name(), turns(n.attribute("d").unwrap_or(""))))
            .collect();
        let colour = ["fill", "stroke"]
            .into_iter()
            .filter_map(|name| signs[0].attribute(name))
            .find(|colour| !["#ffffff", "#1f2a30", "none"].contains(colour))
            .unwrap()
            .to_owned();
        marks.push((kind, shape, colour));
    }
    for (index, (one, shape, colour)) in marks.iter().enumerate() {
        for (other, other_shape, other_colour) in &marks[index + 1..] {
            assert_ne!(shape, other_shape, "{one} and {other} differ in shape");
            for (eye, matrix) in SEEN {
                let seen = |hex: &str| {
                    let rgb = linear(hex);
                    lab(matrix.map(|row| row.iter().zip(rgb).map(|(a, b)| a * b).sum()))
                };
                let (a, b) = (seen(colour), seen(other_colour));
                let apart = a.iter().zip(b).map(|(a, b)| (a - b).powi(2)).sum::<f64>().sqrt();
                assert!(apart >= CLEAR, "{one} and {other} for a {eye}: {apart:.1}");
            }
        }
    }
}

/// The kinds of strokes of a path, without its numbers.
fn turns(d: &str) -> String {
    d.chars().filter(char::is_ascii_alphabetic).collect()
}
