//! Channels that drive what they must not, or nothing that belongs to the skeleton.

use std::collections::{BTreeMap, BTreeSet};

use serde_json::json;

use crate::check::wording::{count, list};
use crate::check::{Band, Bound, Context, Descriptor, Need, On, Plantable, Rule, Sink, Stability};
use crate::finding::{Applicability, Fact, Fix, Subject, Unit};
use crate::model::{Channel, ChannelPath, ClipId, Local, NodeId, Reads, Rig};
use crate::report::Severity;

/// The check.
pub static CHECK: Descriptor = Descriptor {
    id: "clips/target",
    summary: "a channel drives a property twice, a node with a matrix, or a node that is no part of the skeleton",
    why: "two channels for one property leave it to each program which of them plays, and motion of other nodes is lost when only the skeleton is taken over",
    rule: Rule { title: "glTF 2.0", section: "3.11" },
    page: include_str!("target.md"),
    on: On::GLTF,
    bands: &[
        Band {
            name: "twice",
            case: "twice",
            on: On::GLTF,
            bound: Bound::Above,
            limit: 0.0,
            unit: "channels",
            severity: Some(Severity::Error),
        },
        Band {
            name: "matrix",
            case: "matrix",
            on: On::GLTF,
            bound: Bound::Above,
            limit: 0.0,
            unit: "nodes",
            severity: Some(Severity::Error),
        },
        Band {
            name: "elsewhere",
            case: "elsewhere",
            on: On::GLTF,
            bound: Bound::Above,
            limit: 0.0,
            unit: "nodes",
            severity: Some(Severity::Note),
        },
    ],
    requires: &[Need::Clips],
    reads: Reads::CLIPS,
    settings: &[],
    plantable: Plantable::Boolean,
    stability: Stability::Live,
    since: "0.9.0",
    run,
};

fn run(ctx: &Context<'_>, sink: &mut Sink<'_>) {
    let tied = tied(ctx.rig);
    let mut elsewhere = BTreeSet::new();
    let mut with_matrix = BTreeSet::new();
    for (number, clip) in ctx.rig.clips.iter().enumerate() {
        let subject = Subject::Clip(ClipId::new(number));
        let mut first: BTreeMap<(NodeId, u8), usize> = BTreeMap::new();
        let mut twice: Vec<(NodeId, usize, bool)> = Vec::new();
        for (at, channel) in clip.channels.iter().enumerate() {
            let Some(node) = channel.node.filter(|_| channel.path != ChannelPath::Other) else { continue };
            match first.get(&(node, channel.path as u8)) {
                Some(before) => twice.push((node, at, same(&clip.channels[*before], channel))),
                None => {
                    first.insert((node, channel.path as u8), at);
                }
            }
            if channel.path == ChannelPath::Weights {
                continue;
            }
            if matches!(ctx.rig.nodes[node.index()].local, Local::Matrix(_)) {
                with_matrix.insert(node);
            }
            if !tied[node.index()] {
                elsewhere.insert(node);
            }
        }
        let Some(hit) = sink.judge("twice", twice.len() as f64) else { continue };
        let names: BTreeSet<NodeId> = twice.iter().map(|(node, ..)| *node).collect();
        let text = repeated(&ctx.labels.name(&subject), twice.len(), &told(ctx, &names));
        let alike = twice.iter().all(|(.., alike)| *alike);
        let channels: Vec<usize> = twice.iter().take(MOST).map(|(_, at, _)| *at).collect();
        let mut fact = Fact::new(subject, text)
            .evidence("channels that repeat a property", twice.len() as f64, hit.limit, Unit::Count)
            .fix(Fix::Repair {
                applicability: if alike { Applicability::Safe } else { Applicability::Review },
                name: "remove-channels".into(),
                arguments: json!({"clip": number, "channels": channels}),
                summary: "keep the first channel of each property".into(),
            });
        for node in names.into_iter().take(50) {
            fact = fact.related(place(ctx.rig, node), "driven");
        }
        sink.report(hit, fact);
    }
    if let Some(hit) = sink.judge("matrix", with_matrix.len() as f64) {
        let mut fact = Fact::new(Subject::Rig, fixed(with_matrix.len(), &told(ctx, &with_matrix))).evidence(
            "driven nodes with a matrix",
            with_matrix.len() as f64,
            hit.limit,
            Unit::Count,
        );
        for node in with_matrix.into_iter().take(50) {
            fact = fact.related(place(ctx.rig, node), "driven");
        }
        sink.report(hit, fact);
    }
    if let Some(hit) = sink.judge("elsewhere", elsewhere.len() as f64) {
        let mut fact = Fact::new(Subject::Rig, outside(elsewhere.len(), &told(ctx, &elsewhere))).evidence(
            "driven nodes outside the skeleton",
            elsewhere.len() as f64,
            hit.limit,
            Unit::Count,
        );
        for node in elsewhere.into_iter().take(50) {
            fact = fact.related(place(ctx.rig, node), "driven");
        }
        sink.report(hit, fact);
    }
}

/// Channels listed in a fix.
const MOST: usize = 4_096;

/// Nodes that move with the skeleton or move it: joints, what is above them and what is below them.
fn tied(rig: &Rig) -> Vec<bool> {
    let mut above = vec![false; rig.nodes.len()];
    for joint in &rig.joints {
        let mut at = joint.node;
        while let Some(node) = at.filter(|node| !above[node.index()]) {
            above[node.index()] = true;
            at = rig.nodes[node.index()].parent;
        }
    }
    // Below a joint: walk down from each joint once.
    let mut tied = above;
    let mut open: Vec<NodeId> = rig.joints.iter().filter_map(|joint| joint.node).collect();
    let mut seen = vec![false; rig.nodes.len()];
    while let Some(node) = open.pop() {
        if std::mem::replace(&mut seen[node.index()], true) {
            continue;
        }
        tied[node.index()] = true;
        open.extend(rig.nodes[node.index()].children.iter().copied());
    }
    tied
}

/// Whether two channels say the same.
fn same(a: &Channel, b: &Channel) -> bool {
    let equal = |x: &[f32], y: &[f32]| std::ptr::eq(x, y);
    a.interpolation == b.interpolation && equal(&a.times, &b.times) && equal(&a.values, &b.values)
}

fn place(rig: &Rig, node: NodeId) -> Subject {
    rig.nodes[node.index()].joint.map_or(Subject::Node(node), Subject::Joint)
}

fn told(ctx: &Context<'_>, nodes: &BTreeSet<NodeId>) -> String {
    let names: Vec<String> = nodes.iter().take(5).map(|n| ctx.labels.name(&place(ctx.rig, *n))).collect();
    let more = nodes.len() - names.len();
    let text = list(names.iter().map(String::as_str));
    if more > 0 { format!("{text} …") } else { text }
}

fn repeated(clip: &str, channels: usize, names: &str) -> String {
    format!(
        "{clip} has {} for a property that another of its channels drives already ({names})",
        count(channels as u64, "channel", "channels")
    )
}

fn fixed(nodes: usize, names: &str) -> String {
    format!(
        "clips drive {} that {} a matrix, which no clip may ({names})",
        count(nodes as u64, "node", "nodes"),
        if nodes == 1 { "has" } else { "have" }
    )
}

fn outside(nodes: usize, names: &str) -> String {
    format!(
        "clips drive {} that neither moves the skeleton nor hangs from it ({names})",
        count(nodes as u64, "node", "nodes")
    )
}

#[cfg(test)]
#[expect(clippy::unwrap_used, reason = "a test may stop at the first surprise")]
mod tests {
    use crate::check::{Profile, Request, Unobserved, run};
    use crate::intake::{Bundle, Limits, Upload, read};

    /// glTF 2.0 §3.5.3: a node that an animation targets has no matrix.
    #[test]
    fn a_driven_node_with_a_matrix_is_an_error() {
        let with = |local: &str| {
            let times = "AAAAAAAAgD8="; // 0 s and 1 s, little-endian floats
            let moves = "AAAAAAAAAAAAAAAAAAAAAAAAAAAAAIA/"; // 0 0 0 and 0 0 1
            let text = format!(
                r#"{{"asset":{{"version":"2.0"}},"nodes":[{{"name":"tide gate"{local}}}],
                "buffers":[{{"byteLength":8,"uri":"data:application/octet-stream;base64,{times}"}},
                {{"byteLength":24,"uri":"data:application/octet-stream;base64,{moves}"}}],
                "bufferViews":[{{"buffer":0,"byteLength":8}},{{"buffer":1,"byteLength":24}}],
                "accessors":[{{"bufferView":0,"componentType":5126,"count":2,"type":"SCALAR","min":[0],"max":[1]}},
                {{"bufferView":1,"componentType":5126,"count":2,"type":"VEC3"}}],
                "animations":[{{"samplers":[{{"input":0,"output":1}}],
                "channels":[{{"sampler":0,"target":{{"node":0,"path":"translation"}}}}]}}]}}"#
            );
            let bytes = text.into_bytes();
            let model = Some(Upload { name: "gate.gltf", bytes: &bytes });
            let intake = read(&Bundle { model, ..Bundle::default() }, &Limits::default()).unwrap();
            let profile = Profile::realtime();
            let mut request = Request::all(&profile, "2026-01-01".parse().unwrap());
            request.only = vec!["clips/target".into()];
            run(&intake, &request, &Unobserved).unwrap().counts
        };
        assert_eq!(with("").error, 0);
        assert_eq!(with(",\"matrix\":[1,0,0,0,0,1,0,0,0,0,1,0,0,0,0,1]").error, 1);
    }
}
