//! What changed between two revisions. Distances and angles are worked out by hand beside each case.
#![expect(clippy::unwrap_used, reason = "a test may stop at the first surprise")]

use condyle_core::check::{Profile, Request, Unobserved, run};
use condyle_core::difference::{Cause, Difference, Playable, Side, compare};
use condyle_core::intake::{Bundle, Intake, Limits, Upload, read};
use condyle_core::render;
use condyle_core::report::{Report, Severity};
use condyle_core::testing::{build, with_document};
use jiff::civil::date;
use serde_json::{Value, json};

fn intake(bytes: &[u8]) -> Intake {
    let model = Some(Upload { name: "a", bytes });
    read(&Bundle { model, ..Bundle::default() }, &Limits::default()).unwrap()
}

fn judged(intake: &Intake, profile: &str) -> Report {
    let profile = Profile::builtin(profile).unwrap();
    run(intake, &Request::all(&profile, date(2026, 11, 25)), &Unobserved).unwrap()
}

fn between(before: &[u8], now: &[u8]) -> Difference {
    let (before, now) = (intake(before), intake(now));
    let (old, new) = (judged(&before, "realtime"), judged(&now, "realtime"));
    compare(
        ("v1", Side { report: &old, rig: Some(&before.rig) }),
        ("v2", Side { report: &new, rig: Some(&now.rig) }),
        None,
    )
}

/// Stands 2 m tall (y from 0 to 2) and 1 m wide: S is 2 m.
fn plan() -> Value {
    json!({
        "schema": "condyle.plan/1", "asset": "stilt-heron",
        "joints": [
            {"name": "root", "origin": [0, 0, 0], "tip": [0, 1, 0], "parent": null},
            {"name": "chest", "origin": [0, 1, 0], "tip": [0, 2, 0], "parent": "root"},
            {"name": "wing_l", "origin": [0.1, 1.5, 0], "tip": [0.5, 1.5, 0], "parent": "chest"},
            {"name": "wing_r", "origin": [-0.1, 1.5, 0], "tip": [-0.5, 1.5, 0], "parent": "chest"},
        ]
    })
}

fn bytes(plan: &Value) -> Vec<u8> {
    plan.to_string().into_bytes()
}

#[test]
fn nothing_changed_is_nothing_told() {
    let difference = between(&bytes(&plan()), &bytes(&plan()));
    let skeleton = difference.skeleton.as_ref().unwrap();
    assert_eq!(skeleton.same, 4);
    assert!(difference.same_input && !difference.rules.any());
    assert!(skeleton.moved.is_empty() && skeleton.turned.is_empty() && skeleton.renamed.is_empty());
    assert!(difference.findings.new.is_empty() && difference.findings.fixed.is_empty());
}

#[test]
fn joints_added_removed_reparented_and_moved_are_told_with_their_numbers() {
    let mut now = plan();
    // 30 mm in x and 40 mm in z: 50 mm (3-4-5), 50 / 2000 of S.
    now["joints"][2]["origin"] = json!([0.13, 1.5, 0.04]);
    now["joints"][3]["parent"] = json!("root");
    now["joints"][3]["name"] = json!("wing_right");
    now["joints"][3]["origin"] = json!([-0.4, 1.5, 0]);
    now["joints"]
        .as_array_mut()
        .unwrap()
        .push(json!({"name": "lure", "origin": [0, 2, 0], "parent": "chest"}));
    let mut before = plan();
    before["joints"]
        .as_array_mut()
        .unwrap()
        .push(json!({"name": "ring", "origin": [0, 0.5, 0], "parent": "root"}));
    let difference = between(&bytes(&before), &bytes(&now));
    let skeleton = difference.skeleton.unwrap();
    assert_eq!((skeleton.size_before_mm, skeleton.size_now_mm), (2_000.0, 2_000.0));
    assert_eq!(skeleton.added, ["wing_right", "lure"], "at another place it is another joint");
    assert_eq!(skeleton.removed, ["wing_r", "ring"]);
    let [moved] = skeleton.moved.as_slice() else { panic!("{:?}", skeleton.moved) };
    assert_eq!(
        (moved.joint.as_str(), moved.distance_mm, moved.share, moved.own_mm),
        ("wing_l", 50.0, 0.025, 50.0)
    );
    let mut hung = plan();
    hung["joints"][3]["parent"] = json!("root");
    let skeleton = between(&bytes(&plan()), &bytes(&hung)).skeleton.unwrap();
    let [one] = skeleton.reparented.as_slice() else { panic!("{:?}", skeleton.reparented) };
    assert_eq!(
        (one.joint.as_str(), one.before.as_deref(), one.now.as_deref()),
        ("wing_r", Some("chest"), Some("root"))
    );
    assert!(skeleton.moved.is_empty());
}

#[test]
fn what_is_carried_along_has_not_moved_itself() {
    let mut now = plan();
    for index in 1..4 {
        let x = now["joints"][index]["origin"][0].as_f64().unwrap();
        now["joints"][index]["origin"][0] = json!(x + 0.2);
    }
    let difference = between(&bytes(&plan()), &bytes(&now));
    let own: Vec<(String, f64, bool)> = difference
        .skeleton
        .as_ref()
        .unwrap()
        .moved
        .iter()
        .map(|one| (one.joint.clone(), one.distance_mm, one.own_mm < 1e-6))
        .collect();
    assert_eq!(
        own,
        [("chest".into(), 200.0, false), ("wing_l".into(), 200.0, true), ("wing_r".into(), 200.0, true)]
    );
    let text = render::difference_text(&difference);
    assert!(text.contains("joint moved      chest by 200.00 mm (10.00 % of S)"), "{text}");
    assert!(text.contains("2 joints carried along") && !text.contains("joint moved      wing_l"), "{text}");
}

#[test]
fn a_skeleton_renamed_whole_is_renamed_not_replaced() {
    let mut now = plan();
    for joint in now["joints"].as_array_mut().unwrap() {
        for key in ["name", "parent"] {
            if let Some(name) = joint[key].as_str() {
                joint[key] = json!(format!("heron:{name}"));
            }
        }
    }
    let skeleton = between(&bytes(&plan()), &bytes(&now)).skeleton.unwrap();
    let renamed: Vec<(&str, &str)> =
        skeleton.renamed.iter().map(|one| (one.before.as_str(), one.now.as_str())).collect();
    assert_eq!(
        renamed,
        [
            ("root", "heron:root"),
            ("chest", "heron:chest"),
            ("wing_l", "heron:wing_l"),
            ("wing_r", "heron:wing_r")
        ]
    );
    assert!(skeleton.added.is_empty() && skeleton.removed.is_empty() && skeleton.reparented.is_empty());
}

#[test]
fn two_at_one_place_are_not_guessed_at() {
    let twice = |names: [&str; 2]| {
        let mut plan = plan();
        for name in names {
            plan["joints"]
                .as_array_mut()
                .unwrap()
                .push(json!({"name": name, "origin": [0, 2, 0], "parent": "chest"}));
        }
        plan
    };
    let skeleton = between(&bytes(&twice(["a", "b"])), &bytes(&twice(["c", "d"]))).skeleton.unwrap();
    assert!(skeleton.renamed.is_empty());
    assert_eq!(
        (skeleton.added, skeleton.removed),
        (vec!["c".into(), "d".into()], vec!["a".into(), "b".into()])
    );
}

#[test]
fn a_frame_turned_by_thirty_degrees_is_turned_by_thirty_degrees() {
    let mut now = plan();
    // Half of 30°: (0, sin 15°, 0, cos 15°).
    now["joints"][1]["orientation"] = json!([0, 0.258_819_045_102_520_76, 0, 0.965_925_826_289_068_3]);
    let mut before = plan();
    before["joints"][1]["orientation"] = json!([0, 0, 0, 1]);
    let skeleton = between(&bytes(&before), &bytes(&now)).skeleton.unwrap();
    let [turned] = skeleton.turned.as_slice() else { panic!("{:?}", skeleton.turned) };
    assert_eq!(turned.joint, "chest");
    assert!((turned.degrees.unwrap() - 30.0).abs() < 1e-6, "{turned:?}");
}

#[test]
fn findings_are_new_fixed_or_unchanged_by_their_fingerprints() {
    let mut before = plan();
    before["joints"][2]["parent"] = json!("chset");
    let mut now = plan();
    now["joints"][3]["parent"] = json!("chset");
    let difference = between(&bytes(&before), &bytes(&now));
    let of = |list: &[condyle_core::difference::Changed]| -> Vec<(String, String, Cause)> {
        list.iter()
            .filter(|one| one.finding.check == "structure/unknown-parent")
            .map(|one| (one.finding.check.clone(), one.finding.subject.name.clone(), one.cause))
            .collect()
    };
    let check = || "structure/unknown-parent".to_owned();
    assert_eq!(of(&difference.findings.new), [(check(), "wing_r".into(), Cause::Asset)]);
    assert_eq!(of(&difference.findings.fixed), [(check(), "wing_l".into(), Cause::Asset)]);
    assert!(difference.worse(Severity::Error) >= 1);
    let still = between(&bytes(&before), &bytes(&before));
    assert!(still.findings.unchanged.iter().any(|one| one.finding.check == check()));
    assert_eq!(still.worse(Severity::Note), 0);
}

/// A profile that allows two joints where `handheld` allows 60: an asset that nobody touched has a new finding,
/// and it is not the asset's.
#[test]
fn a_changed_rule_is_no_changed_asset() {
    let tight = Profile::read(
        "profile = \"condyle.profile/1\"\nname = \"tight\"\nabout = \"two joints\"\nextends = \"handheld\"\n\
         [checks.\"budget/joints\"]\nreason = \"a test\"\nbands.most.limit = 2\nbands.most.severity = \"error\"\n",
    )
    .unwrap();
    let by_tight =
        |intake: &Intake| run(intake, &Request::all(&tight, date(2026, 11, 25)), &Unobserved).unwrap();
    let mut changed = plan();
    changed["joints"][3]["parent"] = json!("chset");
    let (before, now) = (intake(&bytes(&plan())), intake(&bytes(&changed)));
    let (loose, tight_before, tight_now) = (judged(&before, "handheld"), by_tight(&before), by_tight(&now));
    let new = |from: &Report, to: &Report, rejudged: Option<&Report>| {
        let side = |report| Side { report, rig: None };
        let difference = compare(("v1", side(from)), ("v2", side(to)), rejudged);
        assert!(difference.rules.profile && difference.skeleton.is_none());
        let of = |check: &str| {
            let found = difference.findings.new.iter().find(|one| one.finding.check == check);
            found.map(|one| one.cause)
        };
        (of("budget/joints"), of("structure/unknown-parent"), difference.worse(Severity::Error) > 0)
    };
    assert_eq!(new(&loose, &tight_before, None), (Some(Cause::Rule), None, false), "the same bytes");
    // Both changed: told apart exactly where the older input could be judged again, else not at all.
    assert_eq!(new(&loose, &tight_now, Some(&tight_before)), (Some(Cause::Rule), Some(Cause::Asset), true));
    assert_eq!(new(&loose, &tight_now, None), (Some(Cause::Either), Some(Cause::Either), true));
}

#[test]
fn a_check_that_did_not_run_has_fixed_nothing() {
    let mut before = plan();
    before["joints"][2]["parent"] = json!("chset");
    let before = intake(&bytes(&before));
    let old = judged(&before, "realtime");
    let mut new = old.clone();
    new.findings.clear();
    new.not_run.retain(|one| one.check != "structure/unknown-parent");
    let compared = |new: &Report| {
        let side = |report| Side { report, rig: None };
        let difference = compare(("v1", side(&old)), ("v2", side(new)), None);
        let fixed = difference.findings.fixed;
        fixed.into_iter().find(|one| one.finding.check == "structure/unknown-parent").unwrap().cause
    };
    assert_eq!(compared(&new), Cause::Asset);
    new.not_run.push(condyle_core::report::NotRun {
        check: "structure/unknown-parent".into(),
        status: condyle_core::report::NotRunStatus::Failed,
        reason: "a bug of ours".into(),
    });
    assert_eq!(compared(&new), Cause::NotChecked);
    new.not_run.clear();
    new.truncated
        .insert("structure/unknown-parent".into(), condyle_core::report::Truncation { shown: 50, total: 60 });
    assert_eq!(compared(&new), Cause::NotShown);
}

#[test]
fn clips_play_where_their_joints_are_there() {
    let text = |last: &str, clip: &str| {
        format!(
            "gltf\njoint hips at 0 1 0 parent none\njoint spine at 0 1.3 0\njoint {last} at 0 1.6 0\n\
             body tubes radius 0.1\n{clip}"
        )
    };
    let clips = "clip nod rotate head 0 10 0\nclip sway rotate spine 0 5 0\n";
    let before = build(&text("head", clips)).unwrap();
    let same = between(&before, &before);
    assert!(same.clips.iter().all(|one| one.plays == Playable::Same), "{:?}", same.clips);
    let renamed = between(&before, &build(&text("skull", "")).unwrap());
    let plays: Vec<(&str, Playable)> =
        renamed.clips.iter().map(|one| (one.clip.as_str(), one.plays)).collect();
    assert_eq!(plays, [("nod", Playable::No), ("sway", Playable::Same)]);
    assert_eq!(renamed.skeleton.unwrap().renamed.len(), 1);
}

/// Programs find what a channel drives by its name, and a plain node has one, too.
#[test]
fn a_joint_that_is_a_plain_node_now_is_still_driven() {
    let before = build(
        "gltf\njoint hips at 0 1 0 parent none\njoint spine at 0 1.3 0\njoint head at 0 1.6 0\n\
         body tubes radius 0.1\nclip nod rotate head 0 10 0\n",
    )
    .unwrap();
    let now = with_document(&before, |document| {
        let head = document["nodes"].as_array().unwrap().iter().position(|node| node["name"] == "head");
        document["skins"][0]["joints"].as_array_mut().unwrap().retain(|joint| *joint != json!(head.unwrap()));
    });
    let found = between(&before, &now.unwrap());
    assert_eq!(found.skeleton.unwrap().removed, ["head"]);
    let clip = &found.clips[0];
    assert_eq!((clip.plays, clip.lost_channels, clip.missing.len()), (Playable::Otherwise, 0, 0), "{clip:?}");
    assert_eq!(clip.changed, ["head"]);
}

/// Long lists lose their end, and how long they were is told.
#[test]
fn what_a_list_leaves_out_is_counted() {
    let barbs: String = (0..60)
        .map(|n| format!("joint barb{n} at 0.2 {} 0 parent spine\n", 1.0 + f64::from(n) / 100.0))
        .collect();
    let text = |barbs: &str| {
        let text = format!(
            "gltf\njoint hips at 0 1 0 parent none\njoint spine at 0 1.3 0\n{barbs}body tubes radius 0.1\n"
        );
        build(&text).unwrap()
    };
    let (few, many) = (text(""), text(&barbs));
    for (difference, more) in [(between(&few, &many), true), (between(&many, &few), false)] {
        let skins = difference.skins.as_ref().unwrap();
        let skin = &skins.changed[0];
        let (names, count) = if more {
            (&skin.joints_added, skin.added_joints)
        } else {
            (&skin.joints_removed, skin.removed_joints)
        };
        assert_eq!((names.len(), count), (50, 60));
        let told = render::difference_text(&difference);
        assert!(told.contains("and 57 more"), "{told}");
    }
}

/// Every change that is made here is in every form, under the name that is changed.
#[test]
fn every_form_tells_the_same_changes() {
    let text = |joints: &str, clip: &str| {
        let text = format!("gltf\njoint hips at 0 1 0 parent none\n{joints}body tubes radius 0.1\n{clip}");
        build(&text).unwrap()
    };
    let before = text(
        "joint spine at 0 1.3 0\njoint crest at 0 1.6 0\njoint barb at 0.2 1.3 0 parent spine\n",
        "clip nod rotate crest 0 10 0\nclip sway rotate spine 0 5 0\n",
    );
    let now = text(
        "joint spine at 0 1.35 0\njoint plume at 0.3 1.3 0 parent spine\njoint barb at 0.2 1.3 0 parent hips\n",
        "",
    );
    let difference = between(&before, &now);
    let skeleton = difference.skeleton.as_ref().unwrap();
    assert_eq!(
        (skeleton.added.as_slice(), skeleton.removed.as_slice()),
        (&["plume".to_owned()][..], &["crest".to_owned()][..])
    );
    let forms = [
        ("text", render::difference_text(&difference)),
        ("markdown", render::difference_markdown(&difference)),
        ("html", render::difference_html(&difference)),
    ];
    for (form, told) in &forms {
        let line = |what: &str, name: &str| {
            let found = told.lines().any(|line| line.contains(what) && line.contains(name));
            assert!(found, "{form} tells no {what} {name}: {told}");
        };
        line("joint added", "plume");
        line("joint removed", "crest");
        line("joint reparented", "barb");
        line("joint moved", "spine by 50.00 mm");
        line("skin changed", "plume");
        line("weights changed", "vertices");
        line("clip does not play", "nod");
        line("clip plays", "sway");
        let findings = &difference.findings;
        for (list, what) in [(&findings.new, "new"), (&findings.fixed, "fixed")] {
            line(what, &format!("{} {what}", list.len()));
            for one in list {
                line(&one.finding.check, "");
            }
        }
    }
    let mut hung = plan();
    hung["joints"][3]["parent"] = json!("nobody");
    let worse = between(&bytes(&plan()), &bytes(&hung));
    for (told, new) in [
        (render::difference_text(&worse), "  new   error "),
        (
            render::difference_markdown(&worse),
            "#### New\n\n| | finding | check | |\n|---|---|---|---|\n| error |",
        ),
        (render::difference_html(&worse), "<h2>New</h2>\n<ol>\n<li class=\"error\">"),
    ] {
        assert!(told.contains(new) && told.contains("structure/unknown-parent"), "{told}");
    }
    let reports = Difference { skeleton: None, skins: None, weights: vec![], clips: vec![], ..difference };
    for told in [
        render::difference_text(&reports),
        render::difference_markdown(&reports),
        render::difference_html(&reports),
    ] {
        assert!(told.contains("the skeletons are not compared"), "{told}");
    }
}

/// Names are from uploads, and titles from whoever calls.
#[test]
fn names_are_no_markup_in_any_form() {
    let name = "<script>x</script>|\u{202e}\n# @all";
    let named = |parent: &str| {
        json!({"schema": "condyle.plan/1", "asset": "eel", "joints": [
            {"name": name, "origin": [0, 0, 0], "tip": [0, 1, 0], "parent": null},
            {"name": "lure", "origin": [0, 1, 0], "parent": parent}]})
    };
    let (old, new) = (intake(&bytes(&plan())), intake(&bytes(&named("nobody|<b>"))));
    let (before, now) = (judged(&old, "realtime"), judged(&new, "realtime"));
    let difference = compare(
        ("<i>v1</i>", Side { report: &before, rig: Some(&old.rig) }),
        ("v2|\u{7}", Side { report: &now, rig: Some(&new.rig) }),
        None,
    );
    let (page, comment) = (render::difference_html(&difference), render::difference_markdown(&difference));
    assert!(page.contains("&lt;script&gt;") && page.contains("&lt;i&gt;v1") && page.contains("&lt;b&gt;"));
    for told in [&page, &comment] {
        assert!(!told.contains("<script") && !told.contains("<i>") && !told.contains("<b>"), "{told}");
        assert!(!told.contains('\u{202e}') && !told.contains('\u{7}'), "{told}");
    }
    assert!(!comment.contains("@all") && !comment.lines().any(|line| line.starts_with("# ")), "{comment}");
    // No cell of a table is ended by a name.
    for row in comment.lines().filter(|line| line.starts_with("| ")) {
        assert_eq!(row.replace("\\|", "").matches('|').count(), 5, "{row}");
    }
    assert!(!render::difference_text(&difference).contains('\u{7}'));
}

#[test]
fn thousands_of_joints_in_one_place_are_compared() {
    let stacked = |prefix: &str| {
        let joints: Vec<Value> = (0..5_000)
            .map(|n| json!({"name": format!("{prefix}{n}"), "origin": [0, 0, 0], "parent": null}))
            .collect();
        json!({"schema": "condyle.plan/1", "asset": "x", "joints": joints})
    };
    let (before, now) = (intake(&bytes(&stacked("a"))), intake(&bytes(&stacked("b"))));
    let report = judged(&intake(&bytes(&plan())), "realtime");
    let difference = compare(
        ("v1", Side { report: &report, rig: Some(&before.rig) }),
        ("v2", Side { report: &report, rig: Some(&now.rig) }),
        None,
    );
    assert_eq!(difference.skeleton.unwrap().added.len(), 5_000);
}
