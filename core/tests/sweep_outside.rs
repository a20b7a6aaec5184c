//! Condyle's skinning of real models in random poses against OpenUSD's own (usd-core, `UsdSkel`), within 1e-5 of S.
//! The JSON that `tests/outside/pose_models.py` printed is named by `CONDYLE_OUTSIDE_POSES`; `.ci/run` makes it.

use std::collections::BTreeMap;
use std::path::Path;
use std::process::ExitCode;

use condyle_core::facts::Facts;
use condyle_core::intake::{Bundle, Limits, Upload, read};
use condyle_core::model::{MeshId, NodeId, SkinId};
use condyle_core::sweep::Blend;
use condyle_core::sweep::skinning::{posed_nodes, skin};
use glam::{DMat4, DQuat, DVec3};
use libtest_mimic::{Arguments, Failed, Trial};
use serde_json::Value;

/// Fraction of S.
const CLOSE: f64 = 1e-5;

fn main() -> ExitCode {
    let arguments = Arguments::from_args();
    let Some(path) = std::env::var_os("CONDYLE_OUTSIDE_POSES") else {
        let absent = || Err(Failed::from("CONDYLE_OUTSIDE_POSES is not set"));
        let ci = std::env::var_os("CI").is_some();
        let trial = Trial::test("outside (needs CONDYLE_OUTSIDE_POSES, see tests/outside)", absent);
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
    // Fewer than this means that the other side itself broke.
    let count = seen.len();
    let mut trials = vec![Trial::test("enough models were posed outside", move || {
        if count >= 8 { Ok(()) } else { Err(format!("only {count} models").into()) }
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
    let rig = read(&bundle, &Limits::default()).map_err(|fault| fault.to_string())?.rig;
    let s = Facts::new(&rig).s();
    let number = |value: &Value| value.as_u64().ok_or("no number").map(|n| n as usize);
    let joints: Vec<usize> = list(&seen["joints"])?.iter().map(number).collect::<Result<_, _>>()?;
    let (mut compared, mut worst) = (0_usize, 0.0_f64);
    for pose in list(&seen["poses"])? {
        let blend = match pose["blend"].as_str() {
            Some("dual quaternion") => Blend::DualQuaternion,
            _ => Blend::Linear,
        };
        let turns = list(&pose["turns"])?;
        let turns: BTreeMap<usize, DMat4> = joints
            .iter()
            .zip(turns)
            .map(|(joint, turn)| {
                Ok((*joint, DMat4::from_quat(DQuat::from_array(numbers(turn)?).normalize())))
            })
            .collect::<Result<_, Failed>>()?;
        let turn = |node: NodeId| turns.get(&node.index()).copied().unwrap_or(DMat4::IDENTITY);
        let worlds = posed_nodes(&rig, turn);
        for mesh in list(&pose["meshes"])? {
            let used = SkinId::new(number(&mesh["skin"])?);
            let drawn = MeshId::new(number(&mesh["mesh"])?);
            let node = (0..rig.nodes.len())
                .map(NodeId::new)
                .find(|node| {
                    let node = &rig.nodes[node.index()];
                    node.mesh == Some(drawn) && node.skin == Some(used)
                })
                .ok_or("no node draws it so")?;
            let ours = skin(&rig, blend, node, number(&mesh["primitive"])?, &worlds);
            for (vertex, point) in list(&mesh["vertices"])?.iter().zip(list(&mesh["points"])?) {
                let ours = ours.get(number(vertex)?).copied().flatten().ok_or("a vertex is missing")?;
                let theirs = DVec3::from_array(numbers(point)?);
                // Neither side makes a place out of a weight that is no number.
                if !ours.is_finite() && !theirs.is_finite() {
                    continue;
                }
                compared += 1;
                worst = worst.max(ours.distance(theirs) / s);
            }
        }
    }
    if compared < 8 {
        return Err(format!("only {compared} points were compared").into());
    }
    if worst <= CLOSE { Ok(()) } else { Err(format!("{worst:e} of S apart").into()) }
}

fn list(value: &Value) -> Result<&Vec<Value>, Failed> {
    value.as_array().ok_or_else(|| "no list".into())
}

fn numbers<const N: usize>(value: &Value) -> Result<[f64; N], Failed> {
    let list: Option<Vec<f64>> = value.as_array().ok_or("no list")?.iter().map(Value::as_f64).collect();
    list.and_then(|list| list.try_into().ok()).ok_or_else(|| "other numbers than expected".into())
}
