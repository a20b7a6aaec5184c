//! Released versions of the catalogue: they stay as they were released, and a run that is pinned to one is judged by it.
#![expect(clippy::unwrap_used, reason = "a test may stop at the first surprise")]

use std::collections::BTreeMap;

use condyle_core::check::{
    CATALOGUE_VERSION, CHECKS, Catalogue, Profile, Release, Request, Unobserved, builtin_names, run,
};
use condyle_core::intake::{Bundle, Intake, Limits, Upload, read};
use condyle_core::report::{NotRunStatus, Report, Severity, Verdict};
use condyle_core::testing::build;

fn live(mut release: Release) -> Release {
    release.checks.retain(|_, check| !check.preview);
    release
}

#[test]
fn the_catalogue_is_as_it_was_released_save_for_previews() {
    let released = Release::of(CATALOGUE_VERSION).unwrap().unwrap();
    assert_eq!(
        live(Release::now()),
        live(released),
        "a check, a limit, a severity or a built-in profile is another than the released catalogue {CATALOGUE_VERSION} \
         has: let a new check be a preview, or raise CATALOGUE_VERSION and run `cargo xtask release-catalogue`"
    );
}

#[test]
fn what_was_released_can_still_be_judged_by() {
    let versions: Vec<&str> = Catalogue::versions().collect();
    assert_eq!(versions.last(), Some(&CATALOGUE_VERSION));
    for version in versions {
        let release = Release::of(version).unwrap().unwrap();
        assert_eq!(release.version, version);
        for (id, check) in &release.checks {
            let now = CHECKS.iter().find(|one| one.id == id);
            let now = now.unwrap_or_else(|| panic!("{id} of {version} is gone; ids are for good"));
            for name in check.bands.keys() {
                let there = now.bands.iter().any(|band| band.name == name);
                assert!(there, "{id} of {version} had a band {name}: what judges otherwise needs another id");
            }
            for name in check.settings.keys() {
                assert!(
                    now.settings.iter().any(|one| one.name == name),
                    "{id} of {version} had a setting {name}"
                );
            }
        }
        let catalogue = Catalogue::find(version).unwrap();
        for (index, check) in CHECKS.iter().enumerate() {
            assert_eq!(catalogue.has(index), release.checks.contains_key(check.id), "{}", check.id);
        }
        for name in builtin_names() {
            let profile =
                Profile::builtin_under(name, catalogue).unwrap_or_else(|| panic!("{name} of {version}"));
            assert_eq!(profile.catalogue().version(), version);
        }
    }
}

#[test]
fn checks_say_with_which_version_they_came() {
    for check in CHECKS {
        let first = Catalogue::versions()
            .find(|version| Release::of(version).unwrap().unwrap().checks.contains_key(check.id));
        assert!(first.is_none_or(|first| first == check.since), "{}: since {}", check.id, check.since);
    }
}

#[test]
fn an_unknown_version_is_told_with_the_nearest() {
    let unknown = Catalogue::find("0.9.1").unwrap_err();
    assert_eq!((unknown.version.as_str(), unknown.suggestion), ("0.9.1", Some("0.9.0")));
    assert!(Catalogue::find("").is_err());
}

fn rig(text: &str) -> Intake {
    let bytes = build(text).unwrap();
    let model = Some(Upload { name: "crab", bytes: &bytes });
    read(&Bundle { model, ..Bundle::default() }, &Limits::default()).unwrap()
}

fn judged(read: &Intake, profile: &str, version: &str) -> Report {
    let catalogue = Catalogue::find(version).unwrap();
    let profile = Profile::read_under(profile, &BTreeMap::new(), catalogue).unwrap();
    run(read, &Request::all(&profile, "2026-11-25".parse().unwrap()), &Unobserved).unwrap()
}

const PLAIN: &str = "profile = 'condyle.profile/1'\nname = 'own'\nabout = 'a test'\nextends = 'realtime'\n";

/// The first example of the page that fires.
fn example(id: &str) -> Intake {
    let check = CHECKS.iter().find(|check| check.id == id).unwrap();
    let fires = check.page.split("## Examples that fire").nth(1).unwrap();
    let block = fires.split("```rig fires\n").nth(1).or_else(|| fires.split("```rig\n").nth(1)).unwrap();
    rig(block.split("```").next().unwrap())
}

/// `bind/ignored-transform` came with 1.0.0: under 0.9.0 it does not run, whatever a profile makes of it.
#[test]
fn a_check_that_came_later_is_named_and_does_not_count() {
    let id = "bind/ignored-transform";
    let strict = format!(
        "{PLAIN}[checks.'{id}']\nreason = 'a gate of its own'\nbands.moved.severity = 'error'\n\
         bands.turned.severity = 'error'\nbands.scaled.severity = 'error'\n"
    );
    let read = example(id);
    let now = judged(&read, &strict, "1.0.0");
    assert_eq!((now.verdict, now.catalogue.as_str()), (Verdict::Fail, "1.0.0"));
    assert!(now.findings.iter().any(|one| one.check == id && one.severity == Severity::Error));
    let then = judged(&read, &strict, "0.9.0");
    assert_eq!(then.catalogue, "0.9.0");
    assert_ne!(then.verdict, Verdict::Fail);
    let idle = then.not_run.iter().find(|one| one.check == id).unwrap();
    assert_eq!(idle.status, NotRunStatus::Disabled);
    assert_eq!(idle.reason, "came with the catalogue 1.0.0; the run is pinned to 0.9.0");
}

/// A profile's digest under 0.9.0 is that of its time: it does not change when the catalogue grows.
#[test]
fn limits_are_those_of_the_version_and_a_profile_departs_from_them() {
    let old = Catalogue::find("0.9.0").unwrap();
    let at = |id: &str| CHECKS.iter().position(|check| check.id == id).unwrap();
    let (then, now) = (Profile::realtime_under(old), Profile::realtime());
    let hinge = at("orientation/hinge-axis");
    assert_eq!(
        (then.settings(hinge).value("least-bend"), now.settings(hinge).value("least-bend")),
        (5.0, 8.0)
    );
    let twist = at("orientation/twist-drift");
    let lawless = CHECKS[twist].bands.iter().position(|band| band.name == "lawless").unwrap();
    assert_eq!(then.settings(twist).bands[lawless].severity, None, "the band came later");
    assert!(now.settings(twist).bands[lawless].severity.is_some());
    let loud = format!(
        "{PLAIN}[checks.'orientation/twist-drift']\nreason = 'every turn counts'\nbands.lawless.severity = 'error'\n\
         bands.drift.limit = 1.0\n"
    );
    let loud = Profile::read_under(&loud, &BTreeMap::new(), old).unwrap();
    assert_eq!(loud.settings(twist).bands[lawless].severity, None);
    let drift = CHECKS[twist].bands.iter().position(|band| band.name == "drift").unwrap();
    assert_eq!(loud.settings(twist).bands[drift].limit, 1.0);
    assert_ne!(then.reference(), now.reference());
    // Not pinned, the newest version is meant: nothing changes for who does not pin.
    let named = Profile::realtime_under(Catalogue::find(CATALOGUE_VERSION).unwrap());
    assert_eq!(named.reference(), now.reference());
}
