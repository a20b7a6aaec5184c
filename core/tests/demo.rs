//! The demo characters: sound where they are clean, found out where they are not.
#![expect(clippy::unwrap_used, reason = "a test may stop at the first surprise")]

use std::collections::BTreeMap;

use condyle_core::check::{Profile, Request, Unobserved, run};
use condyle_core::demo::{NAMES, character, faulty, variants};
use condyle_core::export::{SceneMesh, Storage, write_glb};
use condyle_core::intake::{Bundle, Limits, Upload, read};
use condyle_core::repair::{Which, repair_plan};
use condyle_core::report::{Report, Severity};

const VERTICES: usize = 3_000;

fn report(name: &str, bytes: &[u8]) -> Report {
    let bundle = Bundle { model: Some(Upload { name, bytes }), ..Bundle::default() };
    let intake = read(&bundle, &Limits::default()).unwrap_or_else(|fault| panic!("{fault}"));
    run(&intake, &Request::all(&Profile::realtime(), "2026-11-25".parse().unwrap()), &Unobserved).unwrap()
}

#[test]
fn clean_characters_have_neither_error_nor_warning_in_any_storage() {
    for name in NAMES {
        let it = character(name, VERTICES).unwrap();
        let mut documents = vec![("plan".to_owned(), it.plan.to_string().into_bytes())];
        documents.extend(variants(name, VERTICES).into_iter().map(|(form, glb)| (form.to_owned(), glb)));
        for (form, bytes) in documents {
            let report = report(name, &bytes);
            let bad: Vec<_> =
                report.findings.iter().filter(|f| f.severity != Severity::Note).map(|f| &f.message).collect();
            assert!(bad.is_empty(), "{name} {form}: {bad:#?}");
            let failed: Vec<_> = report.not_run.iter().filter(|n| n.reason.contains("bug of ours")).collect();
            assert!(failed.is_empty(), "{name} {form}: {failed:?}");
        }
    }
}

#[test]
fn every_planted_fault_is_found_on_its_subject() {
    for name in NAMES {
        let (it, planted) = faulty(name, VERTICES).unwrap();
        let plan = report(name, it.plan.to_string().as_bytes());
        let model = report(name, &write_glb(&it.scene, &Storage::default()));
        for fault in planted {
            let report = if fault.place == "plan" { &plan } else { &model };
            let there =
                report.findings.iter().any(|f| f.check == fault.check && f.subject.name == fault.subject);
            let found: Vec<_> = report.findings.iter().map(|f| (&f.check, &f.subject.name)).collect();
            assert!(there, "{name}: {fault:?} is not among {found:#?}");
        }
    }
}

#[test]
fn bodies_are_closed_face_outward_and_weigh_one() {
    for name in NAMES {
        let it = character(name, VERTICES).unwrap();
        for mesh in &it.scene.meshes {
            closed(name, mesh);
            assert!(volume(mesh) > 0.0, "{name} {}: inside out", mesh.name);
        }
        let body = &it.scene.meshes[0];
        let count = body.positions.len();
        assert!((VERTICES / 2..VERTICES * 2).contains(&count), "{name}: {count} vertices");
        for row in &body.influences {
            assert!((1..=4).contains(&row.len()));
            let sum: f64 = row.iter().map(|(_, w)| f64::from(*w)).sum();
            assert!((sum - 1.0).abs() <= 2e-7 * row.len() as f64, "{name}: {sum}");
        }
    }
}

/// Every edge is walked once in each direction (or twice, where the surface touches itself).
fn closed(name: &str, mesh: &SceneMesh) {
    let mut edges: BTreeMap<(u32, u32), i32> = BTreeMap::new();
    for triangle in mesh.indices.as_chunks::<3>().0 {
        for (a, b) in [(0, 1), (1, 2), (2, 0)] {
            let (a, b) = (triangle[a], triangle[b]);
            *edges.entry((a.min(b), a.max(b))).or_default() += if a < b { 1 } else { -1 };
        }
    }
    assert!(edges.values().all(|balance| *balance == 0), "{name} {}: open", mesh.name);
}

fn volume(mesh: &SceneMesh) -> f64 {
    let at = |index: u32| glam::DVec3::from(mesh.positions[index as usize].map(f64::from));
    mesh.indices.as_chunks::<3>().0.iter().map(|t| at(t[0]).dot(at(t[1]).cross(at(t[2]))) / 6.0).sum()
}

#[test]
fn the_same_character_comes_out_twice() {
    let twice =
        [(); 2].map(|()| write_glb(&character("harbour-clerk", 800).unwrap().scene, &Storage::default()));
    assert!(twice[0] == twice[1]);
}

#[test]
fn fixes_of_a_plan_close_what_they_were_offered_for_and_add_nothing() {
    for name in NAMES {
        let (it, _) = faulty(name, VERTICES).unwrap();
        let before = report(name, it.plan.to_string().as_bytes());
        let repaired = repair_plan(&it.plan, &before, &Which::Review);
        assert!(repaired.conflicts.is_empty(), "{name}: {:?}", repaired.conflicts);
        let after = report(name, repaired.plan.to_string().as_bytes());
        let fixed: Vec<&str> = repaired.applied.iter().map(|(fingerprint, _)| fingerprint.as_str()).collect();
        for finding in &after.findings {
            let known = before.findings.iter().any(|f| f.fingerprint == finding.fingerprint);
            assert!(known && !fixed.contains(&finding.fingerprint.as_str()), "{name}: {}", finding.message);
        }
        assert!(fixed.len() >= before.findings.iter().filter(|f| f.fix.is_some()).count(), "{name}");
        let again = repair_plan(&repaired.plan, &after, &Which::Review);
        assert_eq!(again.plan, repaired.plan, "{name}: repairing twice changes something");
    }
}
