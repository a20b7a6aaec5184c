//! Real models: each is drawn, its labels are apart, its joints stand where an outside reader finds them, and its
//! outline has the area that an outside union of its triangles has.

use std::collections::BTreeMap;
use std::path::{Path, PathBuf};

use condyle_core::figure::Options;
use condyle_core::intake::{Bundle, Limits, Upload, read};
use libtest_mimic::{Failed, Trial};
use roxmltree::{Document, Node};
use serde_json::Value;

use crate::sheet::{all_joints_with_findings_are_marked, examine, number, pair, with};
use crate::{checked, drawn};

pub(crate) fn trials() -> Vec<Trial> {
    let models = Path::new(env!("CARGO_MANIFEST_DIR")).join("../../shared/data/models");
    let ci = std::env::var_os("CI").is_some();
    let absent =
        |why: &'static str| vec![Trial::test(why, move || Err(Failed::from(why))).with_ignored_flag(!ci)];
    if !models.is_dir() {
        return absent("models (needs ../shared/data/models)");
    }
    let mut out = Vec::new();
    let mut seen = BTreeMap::new();
    for (variable, needs) in [
        ("CONDYLE_OUTSIDE_READING", "joints (needs CONDYLE_OUTSIDE_READING, see tests/outside)"),
        ("CONDYLE_OUTSIDE_AREAS", "areas (needs CONDYLE_OUTSIDE_AREAS, see tests/outside)"),
    ] {
        match std::env::var_os(variable) {
            Some(path) => {
                let text = std::fs::read(path).unwrap();
                let map: BTreeMap<PathBuf, Value> = serde_json::from_slice(&text).unwrap();
                let enough = map.len() >= 8;
                out.push(Trial::test(format!("{variable} tells of several models"), move || {
                    if enough { Ok(()) } else { Err("it does not".into()) }
                }));
                seen.insert(variable, map);
            }
            None => out.extend(absent(needs)),
        }
    }
    let mut files = Vec::new();
    walk(&models, &mut files);
    files.sort();
    out.extend(files.into_iter().map(|path| {
        let name = path.strip_prefix(&models).unwrap_or(&path).to_string_lossy().into_owned();
        let whole = path.canonicalize().unwrap();
        let of = |variable: &str| seen.get(variable).and_then(|map| map.get(&whole)).cloned();
        let (joints, areas) = (of("CONDYLE_OUTSIDE_READING"), of("CONDYLE_OUTSIDE_AREAS"));
        Trial::test(name.clone(), move || model(&path, &name, joints.as_ref(), areas.as_ref()))
    }));
    out
}

fn walk(folder: &Path, found: &mut Vec<PathBuf>) {
    for entry in std::fs::read_dir(folder).unwrap().flatten() {
        let path = entry.path();
        let end = path.extension().unwrap_or_default();
        if path.is_dir() {
            walk(&path, found);
        } else if ["glb", "gltf", "vrm"].iter().any(|known| end == *known) {
            found.push(path);
        }
    }
}

fn model(path: &Path, name: &str, joints: Option<&Value>, areas: Option<&Value>) -> Result<(), Failed> {
    let bytes = std::fs::read(path)?;
    let mut beside = Vec::new();
    for entry in std::fs::read_dir(path.parent().unwrap_or(path))?.flatten() {
        if entry.path().extension().is_some_and(|e| e == "bin") {
            beside.push((entry.file_name().to_string_lossy().into_owned(), std::fs::read(entry.path())?));
        }
    }
    let files = beside.iter().map(|(name, bytes)| Upload { name, bytes }).collect();
    let bundle = Bundle { model: Some(Upload { name, bytes: &bytes }), files, plan: None };
    // What builds no rig is the matter of other tests.
    let Ok(intake) = read(&bundle, &Limits::default()) else { return Ok(()) };
    let report = checked(&intake);
    let sheet = drawn(name, &intake, &report, &Options::default());
    examine(&sheet, &report);
    all_joints_with_findings_are_marked(&sheet, &report);
    let document = Document::parse(&sheet.svg)?;
    let root = document.root_element();
    bar(root);
    if let Some(places) = joints.and_then(|seen| seen["content"]["joints"].as_array()) {
        joints_stand_right(root, places)?;
    }
    for (view, wanted) in areas.and_then(Value::as_object).into_iter().flatten() {
        area(root, view, wanted.as_f64().ok_or("no area")?)?;
    }
    Ok(())
}

/// The scale bar is as long as it says.
fn bar(root: Node<'_, '_>) {
    let Some(bar) = root.descendants().find(|node| node.attribute("data-part") == Some("scale")) else {
        return;
    };
    let long = number(bar.first_element_child().unwrap(), "width");
    for view in with(root, "data-view") {
        let wanted = number(bar, "data-metres") * number(view, "data-scale");
        assert!((long - wanted).abs() <= 0.051, "{long} for {wanted}");
    }
}

/// Component 0 to 2 and sign of an axis such as `-z`.
fn axis(view: Node<'_, '_>, name: &str) -> (usize, f64) {
    let text = view.attribute(name).unwrap();
    let index = "xyz".find(&text[1..]).unwrap();
    (index, if text.starts_with('-') { -1.0 } else { 1.0 })
}

fn joints_stand_right(root: Node<'_, '_>, places: &[Value]) -> Result<(), Failed> {
    for view in with(root, "data-view") {
        let (right, up) = (axis(view, "data-right"), axis(view, "data-up"));
        let (scale, origin) = (number(view, "data-scale"), pair(view, "data-origin"));
        let dots = with(view, "data-joint");
        let few = places.len() <= 400;
        if few && dots.len() != places.len() {
            return Err(format!("{} joints are drawn, {} are there", dots.len(), places.len()).into());
        }
        for dot in dots.into_iter().filter(|dot| !dot.has_attribute("data-beyond")) {
            let place = &places[dot.attribute("data-joint").unwrap().parse::<usize>()?];
            let along = |(index, sign): (usize, f64)| place[index].as_f64().unwrap() * sign;
            let wanted = [origin[0] + along(right) * scale, origin[1] - along(up) * scale];
            let at = pair(dot, "data-at");
            // Files hold single precision: a hundred-thousandth of the joint's distance, and a hundredth of a unit.
            let slack = 0.02 + 1e-5 * (along(right).abs() + along(up).abs()) * scale;
            if (at[0] - wanted[0]).abs() > slack || (at[1] - wanted[1]).abs() > slack {
                return Err(
                    format!("{:?}: at {at:?}, outside {wanted:?}", dot.attribute("data-joint")).into()
                );
            }
        }
    }
    Ok(())
}

/// The outline's area against the outside one, square metres: within 1.5 % and half a unit along the rim.
fn area(root: Node<'_, '_>, name: &str, wanted: f64) -> Result<(), Failed> {
    let view = with(root, "data-view").into_iter().find(|view| view.attribute("data-view") == Some(name));
    let view = view.ok_or("no such view")?;
    let scale = number(view, "data-scale");
    let path = view.descendants().find(|node| node.attribute("data-part") == Some("body"));
    let Some(path) = path else {
        return if wanted == 0.0 { Ok(()) } else { Err("no body".into()) };
    };
    let (mut inside, mut rim) = (0.0, 0.0);
    for line in path.attribute("d").unwrap().split('Z').filter(|line| !line.is_empty()) {
        let points: Vec<[f64; 2]> = line[1..]
            .split('L')
            .map(|point| {
                let (x, y) = point.split_once(' ').unwrap();
                [x.parse().unwrap(), y.parse().unwrap()]
            })
            .collect();
        for (a, b) in points.iter().zip(points.iter().cycle().skip(1)) {
            inside += (a[0] * b[1] - b[0] * a[1]) / 2.0;
            rim += (a[0] - b[0]).hypot(a[1] - b[1]);
        }
    }
    let got = inside.abs() / scale / scale;
    let slack = 0.015 * wanted + 0.25 * rim / scale / scale;
    if (got - wanted).abs() <= slack {
        return Ok(());
    }
    Err(format!("{name}: an area of {got} here, {wanted} outside (allowed {slack})").into())
}
