//! The demo characters: sound where they are clean, found out where they are not.
#![expect(clippy::unwrap_used, reason = "a test may stop at the first surprise")]

use std::collections::{BTreeMap, BTreeSet};

use condyle_core::check::{Profile, Request, Unobserved, run};
use condyle_core::demo::{Character, NAMES, character, faulty};
use condyle_core::export::{SceneMesh, Storage, write_glb};
use condyle_core::intake::{Bundle, Limits, Upload, read};
use condyle_core::repair::{Which, repair_plan};
use condyle_core::report::{NotRunStatus, Report};

const VERTICES: usize = 3_000;

/// The checks that must be planted in some character.
const PLANTED: [&str; 17] = [
    "bind/edited-after",
    "bind/posed-rest",
    "naming/copy-leftover",
    "naming/side-mismatch",
    "orientation/mirror-twist",
    "orientation/not-rigid",
    "orientation/twist-drift",
    "placement/mirror-drift",
    "placement/zero-length",
    "skin/bad-joint",
    "skin/carried-joint-weighted",
    "skin/sum",
    "skin/unweighted",
    "structure/cycle",
    "structure/duplicate-name",
    "structure/root",
    "structure/unknown-parent",
];

fn report(name: &str, bytes: &[u8]) -> Report {
    checked(&Bundle { model: Some(Upload { name, bytes }), ..Bundle::default() })
}

fn checked(bundle: &Bundle<'_>) -> Report {
    let intake = read(bundle, &Limits::default()).unwrap_or_else(|fault| panic!("{fault}"));
    run(&intake, &Request::all(&Profile::realtime(), "2026-11-25".parse().unwrap()), &Unobserved).unwrap()
}

/// A model and the plan beside it.
fn both(it: &Character) -> Report {
    let glb = write_glb(&it.scene, &Storage::default());
    let (name, plan) = (format!("{}.glb", it.name), it.plan.to_string());
    let bundle = Bundle {
        model: Some(Upload { name: &name, bytes: &glb }),
        plan: Some(Upload { name: "plan.json", bytes: plan.as_bytes() }),
        ..Bundle::default()
    };
    checked(&bundle)
}

#[test]
fn clean_characters_have_no_finding() {
    let mut found = Vec::new();
    for name in NAMES {
        let it = character(name, VERTICES).unwrap();
        let plan = report(name, it.plan.to_string().as_bytes());
        let model = report(name, &write_glb(&it.scene, &Storage::default()));
        for (form, report) in [("plan", plan), ("model", model), ("both", both(&it))] {
            let failed: Vec<_> = report.not_run.iter().filter(|n| n.status == NotRunStatus::Failed).collect();
            assert!(failed.is_empty(), "{name} {form}: {failed:?}");
            found.extend(report.findings.iter().map(|f| format!("{name} {form} {} {}", f.check, f.message)));
        }
    }
    assert!(found.is_empty(), "{found:#?}");
}

#[test]
fn every_planted_fault_is_found_on_its_subject() {
    let mut planted_checks = BTreeSet::new();
    for name in NAMES {
        let (it, planted) = faulty(name, VERTICES).unwrap();
        let plan = report(name, it.plan.to_string().as_bytes());
        let model = report(name, &write_glb(&it.scene, &Storage::default()));
        let both = both(&it);
        for fault in planted {
            let report = match fault.place {
                "plan" => &plan,
                "model" => &model,
                _ => &both,
            };
            let there =
                report.findings.iter().any(|f| f.check == fault.check && f.subject.name == fault.subject);
            let found: Vec<_> = report.findings.iter().map(|f| (&f.check, &f.subject.name)).collect();
            assert!(there, "{name}: {fault:?} is not among {found:#?}");
            planted_checks.insert(fault.check);
        }
    }
    // The checks of the first catalogue; each is planted somewhere.
    for check in PLANTED {
        assert!(planted_checks.contains(check), "{check} is planted nowhere");
    }
}

/// Two faces at every edge, one each way; no face without area in numbers; all vertices used.
#[test]
fn bodies_are_closed_manifolds_that_face_outward() {
    for (name, vertices) in [1_000, 3_000, 7_000].iter().flat_map(|n| NAMES.map(|name| (name, *n))) {
        let it = character(name, vertices).unwrap();
        for mesh in &it.scene.meshes {
            two_manifold(name, mesh);
            assert!(volume(mesh) > 0.0, "{name} {}: inside out", mesh.name);
        }
        // One body, not a body and crumbs.
        assert_eq!(shells(&it.scene.meshes[0]), 1, "{name} at {vertices}");
        let count: usize = it.scene.meshes.iter().map(|mesh| mesh.positions.len()).sum();
        assert!((vertices * 9 / 10..vertices * 11 / 10).contains(&count), "{name}: {count} for {vertices}");
    }
}

/// Welds by position and counts the faces of every edge, each way.
fn two_manifold(name: &str, mesh: &SceneMesh) {
    let mut places: BTreeMap<[u32; 3], u32> = BTreeMap::new();
    let welded: Vec<u32> = mesh
        .positions
        .iter()
        .map(|p| {
            let next = places.len() as u32;
            *places.entry(p.map(f32::to_bits)).or_insert(next)
        })
        .collect();
    assert_eq!(places.len(), mesh.positions.len(), "{name} {}: two vertices in one place", mesh.name);
    let mut edges: BTreeMap<(u32, u32), [u32; 2]> = BTreeMap::new();
    for triangle in mesh.indices.as_chunks::<3>().0 {
        for (a, b) in [(0, 1), (1, 2), (2, 0)] {
            let (a, b) = (welded[triangle[a] as usize], welded[triangle[b] as usize]);
            assert_ne!(a, b, "{name} {}: an edge without length", mesh.name);
            edges.entry((a.min(b), a.max(b))).or_default()[usize::from(a < b)] += 1;
        }
    }
    let bad = edges.values().filter(|faces| **faces != [1, 1]).count();
    assert_eq!(bad, 0, "{name} {}: edges without exactly two faces", mesh.name);
}

fn shells(mesh: &SceneMesh) -> usize {
    let mut group: Vec<usize> = (0..mesh.positions.len()).collect();
    fn top(group: &mut [usize], mut one: usize) -> usize {
        while group[one] != one {
            group[one] = group[group[one]];
            one = group[one];
        }
        one
    }
    for triangle in mesh.indices.as_chunks::<3>().0 {
        for other in &triangle[1..] {
            let (a, b) = (top(&mut group, triangle[0] as usize), top(&mut group, *other as usize));
            group[a] = b;
        }
    }
    (0..group.len()).filter(|one| group[*one] == *one).count()
}

fn volume(mesh: &SceneMesh) -> f64 {
    let at = |index: u32| glam::DVec3::from(mesh.positions[index as usize].map(f64::from));
    mesh.indices.as_chunks::<3>().0.iter().map(|t| at(t[0]).dot(at(t[1]).cross(at(t[2]))) / 6.0).sum()
}

#[test]
fn weights_sum_to_one_without_dust_and_stay_near() {
    for name in NAMES {
        let it = character(name, VERTICES).unwrap();
        let body = &it.scene.meshes[0];
        let joints = it.scene.skins[0].joints.len();
        let mut moved = vec![0; joints];
        for row in &body.influences {
            assert!((1..=4).contains(&row.len()));
            let sum: f64 = row.iter().map(|(_, w)| f64::from(*w)).sum();
            assert!((sum - 1.0).abs() <= 2e-7 * row.len() as f64, "{name}: {sum}");
            assert!(row.iter().all(|(_, w)| *w >= 0.005), "{name}: {row:?}");
            for (joint, _) in row {
                moved[usize::from(*joint)] += 1;
            }
        }
        let idle: Vec<usize> = (0..joints).filter(|joint| moved[*joint] < 3).collect();
        assert!(idle.is_empty(), "{name}: joints that move nothing {idle:?}");
    }
}

/// Heron, eel and clerk are symmetric to the last bit, body and weights.
#[test]
fn symmetric_characters_are_symmetric_to_the_bit() {
    for name in ["stilt-heron", "lantern-eel", "harbour-clerk"] {
        let it = character(name, VERTICES).unwrap();
        let (body, skin) = (&it.scene.meshes[0], &it.scene.skins[0]);
        let names: Vec<&str> =
            skin.joints.iter().map(|node| it.scene.nodes[*node].name.as_deref().unwrap()).collect();
        let twin: Vec<u16> = names
            .iter()
            .map(|name| {
                let other = match (name.strip_suffix("_l"), name.strip_suffix("_r")) {
                    (Some(stem), _) => format!("{stem}_r"),
                    (_, Some(stem)) => format!("{stem}_l"),
                    _ => (*name).to_owned(),
                };
                names.iter().position(|one| *one == other).unwrap() as u16
            })
            .collect();
        let places: BTreeMap<[u32; 3], usize> =
            body.positions.iter().enumerate().map(|(v, p)| (p.map(|c| (0.0 + c).to_bits()), v)).collect();
        for (vertex, [x, y, z]) in body.positions.iter().enumerate() {
            // 0 − x, as −0 has other bits than 0.
            let image = places[&[0.0 - x, *y, *z].map(f32::to_bits)];
            let mut here: Vec<(u16, u32)> =
                body.influences[vertex].iter().map(|(j, w)| (twin[usize::from(*j)], w.to_bits())).collect();
            let mut there: Vec<(u16, u32)> =
                body.influences[image].iter().map(|(j, w)| (*j, w.to_bits())).collect();
            here.sort_unstable();
            there.sort_unstable();
            assert_eq!(here, there, "{name} at {x} {y} {z}");
        }
    }
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
