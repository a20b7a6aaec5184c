//! The four characters of Tidepool Post, clean and with planted faults: plan alone, model alone, both.

use condyle_core::demo::{NAMES, character, faulty};
use condyle_core::export::{Storage, write_glb};
use condyle_core::figure::{FORM, Options, View, figure};
use condyle_core::intake::{Bundle, Intake, Limits, Upload, file_digest, read};
use condyle_core::report::Severity;
use libtest_mimic::Trial;
use roxmltree::Document;

use crate::sheet::{all_joints_with_findings_are_marked, examine, number, with};
use crate::{checked, drawn};

pub(crate) fn trials() -> Vec<Trial> {
    let mut out = Vec::new();
    for name in NAMES {
        out.push(Trial::test(format!("demo {name}"), move || {
            every_form(name);
            Ok(())
        }));
    }
    out.push(Trial::test("options are obeyed", || {
        options();
        Ok(())
    }));
    out.push(Trial::test("a changed drawing has a changed form number", || {
        form();
        Ok(())
    }));
    out
}

fn intake(bundle: &Bundle<'_>) -> Intake {
    read(bundle, &Limits::default()).unwrap()
}

fn every_form(name: &str) {
    let clean = character(name, 6_000).unwrap();
    let (spoilt, _) = faulty(name, 6_000).unwrap();
    for (label, it) in [("clean", clean), ("planted", spoilt)] {
        let glb = write_glb(&it.scene, &Storage::default());
        let plan = it.plan.to_string();
        let model = Upload { name: "model.glb", bytes: &glb };
        let text = Upload { name: "it.plan.json", bytes: plan.as_bytes() };
        for (form, bundle) in [
            ("plan", Bundle { plan: Some(text), ..Bundle::default() }),
            ("model", Bundle { model: Some(model), ..Bundle::default() }),
            ("both", Bundle { plan: Some(text), model: Some(model), files: Vec::new() }),
        ] {
            let intake = intake(&bundle);
            let report = checked(&intake);
            // Every width for one of them is enough: what differs is where the labels go.
            let widths: &[u32] = if label == "planted" { &[480, 680, 1_000, 1_600] } else { &[1_000] };
            for &width in widths {
                let options = Options { width, ..Options::default() };
                let sheet = drawn(&format!("{name}.{label}.{form}"), &intake, &report, &options);
                examine(&sheet, &report);
                all_joints_with_findings_are_marked(&sheet, &report);
                let document = Document::parse(&sheet.svg).unwrap();
                let bodies =
                    document.descendants().filter(|n| n.attribute("data-part") == Some("body")).count();
                assert_eq!(bodies, if form == "plan" { 0 } else { 3 }, "{name} {form}");
                let joints = with(document.root_element(), "data-joint").len();
                assert_eq!(joints, 3 * intake.rig.joints.len(), "every joint in every view");
                let again = figure(&intake.rig, &format!("{name}.{label}.{form}"), Some(&report), &options);
                assert_eq!(again, sheet, "the same again is the same");
            }
        }
    }
}

fn options() {
    let (it, _) = faulty("fiddler-porter", 2_000).unwrap();
    let plan = it.plan.to_string();
    let bundle = Bundle { plan: Some(Upload { name: "it", bytes: plan.as_bytes() }), ..Bundle::default() };
    let intake = intake(&bundle);
    let report = checked(&intake);
    let draw = |options: &Options| figure(&intake.rig, "crab", Some(&report), options);
    let views = |svg: &str| -> Vec<String> {
        let document = Document::parse(svg).unwrap();
        let all = with(document.root_element(), "data-view");
        all.into_iter().map(|one| one.attribute("data-view").unwrap().to_owned()).collect()
    };
    for (asked, wanted) in [
        (vec![View::Top], vec!["top"]),
        (vec![View::Side, View::Front, View::Side], vec!["front", "side"]),
        (vec![View::Side], vec!["side"]),
    ] {
        assert_eq!(views(&draw(&Options { views: asked, ..Options::default() }).svg), wanted);
    }
    let none = draw(&Options { findings: None, ..Options::default() });
    assert!(none.numbers.is_empty() && !none.svg.contains("data-mark"));
    let errors = draw(&Options { findings: Some(Severity::Error), ..Options::default() });
    let bad = |f: &&condyle_core::report::Finding| errors.numbers.contains_key(&f.fingerprint);
    assert!(
        report.findings.iter().filter(bad).all(|f| f.severity == Severity::Error)
            && !errors.numbers.is_empty()
    );
    for (asked, wanted) in [(1, 480.0), (700, 700.0), (1_000_000, 2_400.0)] {
        let svg = draw(&Options { width: asked, ..Options::default() }).svg;
        let document = Document::parse(&svg).unwrap();
        assert_eq!(number(document.root_element(), "width").to_bits(), f64::to_bits(wanted));
    }
}

/// Stored tags name [`FORM`]: whoever changes the drawing raises it and writes the digest here.
fn form() {
    let plan = br#"{"schema": "condyle.plan/1", "asset": "heron", "joints": [
        {"name": "hips", "origin": [0, 1, 0], "tip": [0, 1.5, 0], "parent": null},
        {"name": "thigh_l", "origin": [0.1, 1, 0], "tip": [0.1, 0.5, 0.05], "parent": "hips"},
        {"name": "thigh_r", "origin": [-0.1, 1, 0], "tip": [-0.1, 0.5, 0.05], "parent": "hisp"}]}"#;
    let bundle = Bundle { plan: Some(Upload { name: "it", bytes: plan }), ..Bundle::default() };
    let intake = intake(&bundle);
    let sheet = figure(&intake.rig, "heron", Some(&checked(&intake)), &Options::default());
    let digest = file_digest(sheet.svg.as_bytes());
    assert_eq!((FORM, &digest[..16]), (1, "216d3d19f4ea7bd8"));
}
