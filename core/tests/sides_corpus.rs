//! Sides read from names, held against positions: on skeletons that nobody here made (`../shared/data/skeletons` and
//! `skeletons2`), joints that mirror each other by place alone must be read as left and right.
//!
//! The truth is geometry: the twins of a rig that is proven symmetric, whose names differ by more than numbers. A rig counts
//! as one that marks sides where a person wrote so into `SOURCES.tsv`, or (in `skeletons`) where any pair is read.
#![expect(clippy::print_stderr, reason = "a test harness of its own")]

use std::path::{Path, PathBuf};
use std::process::ExitCode;

use condyle_core::facts::Facts;
use condyle_core::intake::{Bundle, Limits, Upload, read};
use condyle_core::model::Side;
use libtest_mimic::{Arguments, Failed, Trial};
use serde_json::{Value, json};

/// Share of sided twins that must be read, over all rigs in which any is.
const LEAST_READ: f64 = 0.98;
/// Share of joints on the plane that may be read as sided.
const MOST_FALSE: f64 = 0.01;

fn main() -> ExitCode {
    let arguments = Arguments::from_args();
    let data = Path::new(env!("CARGO_MANIFEST_DIR")).join("../../shared/data");
    if !data.join("skeletons").is_dir() {
        let absent = || Err(Failed::from("the folder ../shared/data/skeletons is absent"));
        let ci = std::env::var_os("CI").is_some();
        let trial = Trial::test("sides (needs ../shared/data/skeletons)", absent).with_ignored_flag(!ci);
        return libtest_mimic::run(&arguments, vec![trial]).exit_code();
    }
    let trial = Trial::test("sides", move || sides(&data));
    libtest_mimic::run(&arguments, vec![trial]).exit_code()
}

#[derive(Debug, Default, Clone, Copy)]
struct Count {
    pairs: u32,
    opposite: u32,
    reversed: u32,
    middle: u32,
    middle_sided: u32,
}

fn sides(data: &Path) -> Result<(), Failed> {
    let mut total = Count::default();
    let mut rigs = 0;
    let mut poor = Vec::new();
    for path in files(data)? {
        let (count, examples) = measure(&path)?;
        if count.pairs == 0 {
            continue;
        }
        let name = path.file_stem().map(|s| s.to_string_lossy().into_owned()).unwrap_or_default();
        let right = count.opposite.max(count.reversed);
        if std::env::var_os("CONDYLE_SIDES").is_some() {
            eprintln!(
                "{name}: {right}/{} read, {} against, {}/{} on the plane sided {examples:?}",
                count.pairs,
                count.opposite.min(count.reversed),
                count.middle_sided,
                count.middle
            );
        }
        // A rig in which nothing is read marks no sides, as far as anybody can say without looking.
        if right == 0 {
            poor.push(name);
            continue;
        }
        rigs += 1;
        total.pairs += count.pairs;
        total.opposite += right;
        total.middle += count.middle;
        total.middle_sided += count.middle_sided;
    }
    let read = f64::from(total.opposite) / f64::from(total.pairs);
    let wrong = f64::from(total.middle_sided) / f64::from(total.middle.max(1));
    eprintln!(
        "{rigs} symmetric rigs with sides: {} of {} pairs read ({:.1} %), {} of {} joints on the plane read as sided ({:.1} %); nothing read in {poor:?}",
        total.opposite,
        total.pairs,
        read * 100.0,
        total.middle_sided,
        total.middle,
        wrong * 100.0
    );
    if read < LEAST_READ {
        return Err(format!("{read} of the sided twins are read, at least {LEAST_READ} are wanted").into());
    }
    if wrong > MOST_FALSE {
        return Err(
            format!("{wrong} of the joints on the plane are read as sided, at most {MOST_FALSE}").into()
        );
    }
    Ok(())
}

fn files(data: &Path) -> Result<Vec<PathBuf>, Failed> {
    let mut list = Vec::new();
    for folder in ["skeletons", "skeletons2"] {
        for entry in std::fs::read_dir(data.join(folder))? {
            let path = entry?.path();
            if path.extension().is_some_and(|e| e == "json") {
                list.push(path);
            }
        }
    }
    list.sort();
    Ok(list)
}

fn measure(path: &Path) -> Result<(Count, Vec<String>), Failed> {
    let document: Value = serde_json::from_slice(&std::fs::read(path)?)?;
    let joints = document["joints"].as_array().ok_or("no joints")?;
    // Names need not be unique there: parents go by number, so numbers are put in front and taken off again below.
    let name = |joint: &Value| joint["name"].as_str().unwrap_or_default().to_owned();
    let list: Vec<Value> = joints
        .iter()
        .map(|joint| {
            let up = joint["parent"].as_u64().map(|up| format!("#{up}"));
            let at = joint.get("bind_position").filter(|p| p.is_array()).unwrap_or(&joint["position"]);
            json!({"name": "", "origin": at, "parent": up})
        })
        .collect();
    let numbered: Vec<Value> = list
        .into_iter()
        .enumerate()
        .map(|(index, mut joint)| {
            joint["name"] = json!(format!("#{index}"));
            joint
        })
        .collect();
    let plan = json!({"schema": "condyle.plan/1", "asset": "skeleton", "joints": numbered}).to_string();
    let upload = Upload { name: "plan", bytes: plan.as_bytes() };
    let mut intake = read(&Bundle { model: Some(upload), ..Bundle::default() }, &Limits::default())
        .map_err(|fault| format!("{}: {fault:?}", path.display()))?;
    for (joint, source) in intake.rig.joints.iter_mut().zip(joints) {
        joint.name = Some(name(source));
    }
    let facts = Facts::new(&intake.rig);
    let mut count = Count::default();
    let mut examples = Vec::new();
    let Some(plane) = facts.mirror() else { return Ok((count, examples)) };
    let names = facts.names();
    let letters = |name: &str| name.chars().filter(|c| c.is_alphabetic()).collect::<String>();
    for (left, right) in &facts.twins().pairs {
        let (a, b) = (&names.plain[left.index()], &names.plain[right.index()]);
        if letters(a) == letters(b) || plane.distance(facts.origin(*left)).abs() < 0.005 * facts.s() {
            continue;
        }
        count.pairs += 1;
        match (names.side(*left), names.side(*right)) {
            (Some(Side::Left), Some(Side::Right)) => count.opposite += 1,
            (Some(Side::Right), Some(Side::Left)) => count.reversed += 1,
            _ => {
                if examples.len() < 6 {
                    examples.push(format!("{a}|{b}"));
                }
            }
        }
    }
    for index in 0..intake.rig.joints.len() {
        let joint = condyle_core::model::JointId::new(index);
        let on_plane = plane.distance(facts.origin(joint)).abs() < 0.002 * facts.s();
        if on_plane && facts.twins().twin(joint).is_none() {
            count.middle += 1;
            // Twins that both stand on the plane are sided all the same: only a lone one is a misreading.
            let lone = names.mate(joint).is_some_and(|mate| !names.plain.contains(&mate));
            if lone && matches!(names.side(joint), Some(Side::Left | Side::Right)) {
                count.middle_sided += 1;
                if examples.len() < 12 {
                    examples.push(format!("middle {}", names.plain[index]));
                }
            }
        }
    }
    Ok((count, examples))
}
