//! Condyle's reading of real models against another reader's: pygltflib, numpy and DracoPy from PyPI
//! (`tests/outside`; meshoptimizer too). The JSON it printed is named by `CONDYLE_OUTSIDE_READING`; `.ci/run` makes it.
//! Its keys are the paths of the files. What is refused here must break a rule that the other reader names, at that place.

use std::collections::BTreeMap;
use std::path::Path;
use std::process::ExitCode;

use condyle_core::intake::{Bundle, Fault, FaultKind, Limits, Place, Upload, read};
use libtest_mimic::{Arguments, Failed, Trial};
use serde_json::Value;

fn main() -> ExitCode {
    let arguments = Arguments::from_args();
    let Some(path) = std::env::var_os("CONDYLE_OUTSIDE_READING") else {
        let absent = || Err(Failed::from("CONDYLE_OUTSIDE_READING is not set"));
        let ci = std::env::var_os("CI").is_some();
        let trial = Trial::test("outside (needs CONDYLE_OUTSIDE_READING, see tests/outside)", absent);
        return libtest_mimic::run(&arguments, vec![trial.with_ignored_flag(!ci)]).exit_code();
    };
    let parsed = std::fs::read(&path)
        .map_err(|error| error.to_string())
        .and_then(|text| serde_json::from_slice(&text).map_err(|error| error.to_string()));
    let seen: BTreeMap<String, Value> = match parsed {
        Ok(seen) => seen,
        Err(error) => {
            let trial = Trial::test("outside", move || Err(Failed::from(error)));
            return libtest_mimic::run(&arguments, vec![trial]).exit_code();
        }
    };
    // Fewer files than this means that the outside reader itself broke.
    let enough = seen.len() >= 120;
    let count = seen.len();
    let mut trials = vec![Trial::test("the outside reader read most files", move || {
        if enough { Ok(()) } else { Err(format!("only {count} files").into()) }
    })];
    trials.extend(
        seen.into_iter().map(|(name, seen)| Trial::test(name.clone(), move || compare(&name, &seen))),
    );
    libtest_mimic::run(&arguments, trials).exit_code()
}

fn compare(name: &str, seen: &Value) -> Result<(), Failed> {
    let path = Path::new(name);
    let bytes = std::fs::read(path)?;
    let mut beside = Vec::new();
    for entry in std::fs::read_dir(path.parent().unwrap_or(path))?.flatten() {
        if entry.path().extension().is_some_and(|e| e == "bin") {
            beside.push((entry.file_name().to_string_lossy().into_owned(), std::fs::read(entry.path())?));
        }
    }
    let files = beside.iter().map(|(name, bytes)| Upload { name, bytes }).collect();
    let bundle = Bundle { model: Some(Upload { name, bytes: &bytes }), files, plan: None };
    let breaches = seen["breaches"].as_array().ok_or("no list of breaches")?;
    let intake = match read(&bundle, &Limits::default()) {
        Err(fault) => return refused(&fault, breaches),
        Ok(_) if !breaches.is_empty() => return Err(format!("is read, in spite of {breaches:?}").into()),
        Ok(intake) => intake,
    };
    let rig = &intake.rig;
    let seen = &seen["content"];
    if seen.is_null() {
        // The libraries there could not read it; that it breaks no rule is all they said.
        return Ok(());
    }
    let joints = seen["joints"].as_array().ok_or("no joints")?;
    same_count("joints", joints.len(), rig.joints.len())?;
    for (index, (joint, place)) in rig.joints.iter().zip(joints).enumerate() {
        close(&format!("joint {index}"), &joint.origin().to_array(), place)?;
    }
    same_count("clips", seen["clips"].as_u64().unwrap_or(0) as usize, rig.clips.len())?;
    let primitives: Vec<_> = rig.meshes.iter().flat_map(|mesh| &mesh.primitives).collect();
    let others = seen["primitives"].as_array().ok_or("no primitives")?;
    same_count("primitives", others.len(), primitives.len())?;
    for (index, (primitive, other)) in primitives.iter().zip(others).enumerate() {
        if other.is_null() {
            continue;
        }
        let what = |part: &str| format!("primitive {index} {part}");
        same_count(
            &what("vertices"),
            other["count"].as_u64().unwrap_or(0) as usize,
            primitive.positions.len(),
        )?;
        if let Some(triangles) = other["triangles"].as_u64() {
            same_count(&what("triangles"), triangles as usize, primitive.triangles.len())?;
        }
        let axis = |axis: usize| primitive.positions.iter().map(move |p| f64::from(p[axis]));
        let fold = |pick: fn(f64, f64) -> f64, start: f64| [0, 1, 2].map(|a| axis(a).fold(start, pick));
        close(&what("min"), &fold(f64::min, f64::INFINITY), &other["min"])?;
        close(&what("max"), &fold(f64::max, f64::NEG_INFINITY), &other["max"])?;
        let count = primitive.positions.len().max(1) as f64;
        close(&what("mean"), &[0, 1, 2].map(|a| axis(a).sum::<f64>() / count), &other["mean"])?;
        if let (Some(set), false) = (primitive.influences.first(), other["weight_mean"].is_null()) {
            let mean =
                [0, 1, 2, 3].map(|slot| set.weights.iter().map(|w| f64::from(w[slot])).sum::<f64>() / count);
            close(&what("weights"), &mean, &other["weight_mean"])?;
            let mean =
                [0, 1, 2, 3].map(|slot| set.joints.iter().map(|j| f64::from(j[slot])).sum::<f64>() / count);
            close(&what("joints"), &mean, &other["joint_mean"])?;
        }
    }
    Ok(())
}

/// The fault is one of the breaches that the other reader saw.
fn refused(fault: &Fault, breaches: &[Value]) -> Result<(), Failed> {
    let known = breaches.iter().any(|breach| match (&fault.place, &fault.kind) {
        (Place::Pointer(at), FaultKind::Invalid) => breach["pointer"].as_str() == Some(at),
        (Place::Byte(at), FaultKind::Malformed) => breach["bytes"].as_array().is_some_and(|range| {
            matches!(range.as_slice(), [low, high]
                if low.as_u64().is_some_and(|low| low <= *at) && high.as_u64().is_some_and(|high| *at <= high))
        }),
        _ => false,
    });
    if known { Ok(()) } else { Err(format!("refused ({fault}); the other reader saw {breaches:?}").into()) }
}

fn same_count(what: &str, theirs: usize, ours: usize) -> Result<(), Failed> {
    if theirs == ours { Ok(()) } else { Err(format!("{what}: {ours} here, {theirs} outside").into()) }
}

/// Within 1e-5 of the size of the numbers compared.
fn close(what: &str, ours: &[f64], theirs: &Value) -> Result<(), Failed> {
    let theirs: Vec<f64> = theirs.as_array().into_iter().flatten().filter_map(Value::as_f64).collect();
    let size = theirs.iter().map(|t| t.abs()).fold(1e-3, f64::max);
    let equal =
        theirs.len() == ours.len() && ours.iter().zip(&theirs).all(|(a, b)| (a - b).abs() <= 1e-5 * size);
    if equal { Ok(()) } else { Err(format!("{what}: {ours:?} here, {theirs:?} outside").into()) }
}
