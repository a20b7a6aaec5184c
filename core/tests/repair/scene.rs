//! A reading of a GLB that shares nothing with the crate's own: JSON by `serde_json`, accessors by hand (glTF 2.0 §3.6),
//! key sampling (appendix C) and skinning (§3.7.3.3) by `glam`.

use glam::{DMat4, DQuat, DVec3};
use serde_json::Value;

pub(crate) struct File {
    pub(crate) json: Value,
    pub(crate) text: String,
    pub(crate) bin: Vec<u8>,
}

fn word(bytes: &[u8], at: usize) -> usize {
    u32::from_le_bytes(bytes[at..at + 4].try_into().unwrap()) as usize
}

pub(crate) fn open(bytes: &[u8]) -> File {
    if !bytes.starts_with(b"glTF") {
        let text = String::from_utf8(bytes.to_vec()).unwrap();
        let json = serde_json::from_str(text.trim_start_matches('\u{feff}')).unwrap();
        return File { json, text, bin: Vec::new() };
    }
    assert_eq!((word(bytes, 4), word(bytes, 8)), (2, bytes.len()), "header");
    let length = word(bytes, 12);
    assert!(length.is_multiple_of(4) && &bytes[16..20] == b"JSON");
    let text = String::from_utf8(bytes[20..20 + length].to_vec()).unwrap();
    let rest = &bytes[20 + length..];
    let bin = if rest.len() >= 8 {
        assert!(word(rest, 0).is_multiple_of(4) && &rest[4..8] == b"BIN\0");
        rest[8..8 + word(rest, 0)].to_vec()
    } else {
        Vec::new()
    };
    File { json: serde_json::from_str(&text).unwrap(), text, bin }
}

fn number(value: &Value, key: &str) -> usize {
    value[key].as_u64().unwrap_or(0) as usize
}

impl File {
    pub(crate) fn list(&self, key: &str) -> &[Value] {
        self.json[key].as_array().map_or(&[], Vec::as_slice)
    }

    /// Where an accessor's elements are: first byte, stride, bytes of one, how many.
    pub(crate) fn place(&self, accessor: usize) -> Option<(usize, usize, usize, usize)> {
        let it = &self.list("accessors")[accessor];
        let view = &self.list("bufferViews")[it["bufferView"].as_u64()? as usize];
        if number(view, "buffer") != 0 || !view["extensions"].is_null() || !it["sparse"].is_null() {
            return None;
        }
        let width = match it["type"].as_str().unwrap() {
            "SCALAR" => 1,
            "VEC2" => 2,
            "VEC3" => 3,
            "VEC4" => 4,
            _ => 16,
        };
        let size = width * bytes_of(number(it, "componentType"));
        let stride = view["byteStride"].as_u64().map_or(size, |s| s as usize);
        Some((number(view, "byteOffset") + number(it, "byteOffset"), stride, size, number(it, "count")))
    }

    pub(crate) fn raw(&self, accessor: usize) -> Option<Vec<&[u8]>> {
        let (start, stride, size, count) = self.place(accessor)?;
        Some((0..count).map(|at| &self.bin[start + at * stride..start + at * stride + size]).collect())
    }

    pub(crate) fn numbers(&self, accessor: usize) -> Vec<Vec<f64>> {
        let it = &self.list("accessors")[accessor];
        let component = number(it, "componentType");
        let normalized = it["normalized"].as_bool().unwrap_or(false);
        let rows = self.raw(accessor).unwrap();
        rows.into_iter()
            .map(|row| {
                row.chunks_exact(bytes_of(component))
                    .map(|b| match component {
                        5121 => f64::from(b[0]) / if normalized { 255.0 } else { 1.0 },
                        5123 => {
                            f64::from(u16::from_le_bytes([b[0], b[1]]))
                                / if normalized { 65_535.0 } else { 1.0 }
                        }
                        5125 => f64::from(u32::from_le_bytes([b[0], b[1], b[2], b[3]])),
                        5126 => f64::from(f32::from_le_bytes([b[0], b[1], b[2], b[3]])),
                        other => panic!("component type {other}"),
                    })
                    .collect()
            })
            .collect()
    }

    fn floats<const N: usize>(&self, node: usize, key: &str, absent: [f64; N]) -> [f64; N] {
        let list = self.list("nodes")[node][key].as_array();
        list.map_or(absent, |list| std::array::from_fn(|at| list[at].as_f64().unwrap()))
    }

    /// Global transforms of all nodes, `time` seconds into a clip.
    pub(crate) fn worlds(&self, clip: Option<(usize, f64)>) -> Vec<DMat4> {
        let count = self.list("nodes").len();
        let mut parts: Vec<([f64; 3], [f64; 4], [f64; 3])> = (0..count)
            .map(|node| {
                (
                    self.floats(node, "translation", [0.0; 3]),
                    self.floats(node, "rotation", [0.0, 0.0, 0.0, 1.0]),
                    self.floats(node, "scale", [1.0; 3]),
                )
            })
            .collect();
        if let Some((clip, time)) = clip {
            let clip = &self.list("animations")[clip];
            for channel in clip["channels"].as_array().unwrap() {
                let sampler = &clip["samplers"][number(channel, "sampler")];
                let node = number(&channel["target"], "node");
                let value = self.sample(sampler, time, channel["target"]["path"] == "rotation");
                match channel["target"]["path"].as_str().unwrap() {
                    "translation" => parts[node].0 = value[..3].try_into().unwrap(),
                    "rotation" => parts[node].1 = value[..4].try_into().unwrap(),
                    "scale" => parts[node].2 = value[..3].try_into().unwrap(),
                    _ => {}
                }
            }
        }
        let mut parent = vec![None; count];
        for (node, it) in self.list("nodes").iter().enumerate() {
            for child in it["children"].as_array().into_iter().flatten() {
                parent[child.as_u64().unwrap() as usize] = Some(node);
            }
        }
        (0..count)
            .map(|node| {
                let mut matrix = DMat4::IDENTITY;
                let mut at = Some(node);
                while let Some(here) = at {
                    let (t, r, s) = parts[here];
                    let local = match self.list("nodes")[here]["matrix"].as_array() {
                        Some(m) => DMat4::from_cols_array(&std::array::from_fn(|at| m[at].as_f64().unwrap())),
                        None => DMat4::from_scale_rotation_translation(
                            s.into(),
                            DQuat::from_array(r).normalize(),
                            t.into(),
                        ),
                    };
                    matrix = local * matrix;
                    at = parent[here];
                }
                matrix
            })
            .collect()
    }

    fn sample(&self, sampler: &Value, time: f64, rotation: bool) -> Vec<f64> {
        let times: Vec<f64> = self.numbers(number(sampler, "input")).into_iter().flatten().collect();
        let values = self.numbers(number(sampler, "output"));
        let kind = sampler["interpolation"].as_str().unwrap_or("LINEAR");
        let cubic = kind == "CUBICSPLINE";
        let key = |at: usize| if cubic { values[3 * at + 1].clone() } else { values[at].clone() };
        let next = times.iter().position(|t| *t > time).unwrap_or(times.len());
        if next == 0 {
            return key(0);
        }
        if next == times.len() {
            return key(times.len() - 1);
        }
        let span = times[next] - times[next - 1];
        let t = (time - times[next - 1]) / span;
        let (a, b) = (key(next - 1), key(next));
        let quaternion = |v: &[f64]| DQuat::from_xyzw(v[0], v[1], v[2], v[3]).normalize();
        match kind {
            "STEP" => a,
            "LINEAR" if rotation => quaternion(&a).slerp(quaternion(&b), t).to_array().to_vec(),
            "LINEAR" => a.iter().zip(&b).map(|(a, b)| a + (b - a) * t).collect(),
            _ => {
                let (out, into) = (&values[3 * (next - 1) + 2], &values[3 * next]);
                let (t2, t3) = (t * t, t * t * t);
                let value: Vec<f64> = (0..a.len())
                    .map(|at| {
                        (2.0 * t3 - 3.0 * t2 + 1.0) * a[at]
                            + span * (t3 - 2.0 * t2 + t) * out[at]
                            + (-2.0 * t3 + 3.0 * t2) * b[at]
                            + span * (t3 - t2) * into[at]
                    })
                    .collect();
                if rotation { quaternion(&value).to_array().to_vec() } else { value }
            }
        }
    }

    /// Every skinned vertex in the world: Σ wᵢ · Wᵢ · Bᵢ · p.
    pub(crate) fn skinned(&self, clip: Option<(usize, f64)>) -> Vec<DVec3> {
        let worlds = self.worlds(clip);
        let mut out = Vec::new();
        for node in self.list("nodes").iter().filter(|node| node["skin"].is_u64()) {
            let skin = &self.list("skins")[number(node, "skin")];
            let joints: Vec<usize> =
                skin["joints"].as_array().unwrap().iter().map(|j| j.as_u64().unwrap() as usize).collect();
            let binds: Vec<DMat4> = match skin["inverseBindMatrices"].as_u64() {
                Some(accessor) => self
                    .numbers(accessor as usize)
                    .iter()
                    .map(|m| DMat4::from_cols_array(m.as_slice().try_into().unwrap()))
                    .collect(),
                None => vec![DMat4::IDENTITY; joints.len()],
            };
            for primitive in self.list("meshes")[number(node, "mesh")]["primitives"].as_array().unwrap() {
                let attributes = &primitive["attributes"];
                let positions = self.numbers(number(attributes, "POSITION"));
                let mut sum = vec![DVec3::ZERO; positions.len()];
                for set in (0..).take_while(|set| attributes[format!("JOINTS_{set}")].is_u64()) {
                    let slots = self.numbers(number(attributes, &format!("JOINTS_{set}")));
                    let weights = self.numbers(number(attributes, &format!("WEIGHTS_{set}")));
                    for (vertex, point) in positions.iter().enumerate() {
                        let point = DVec3::new(point[0], point[1], point[2]);
                        for (slot, weight) in slots[vertex].iter().zip(&weights[vertex]) {
                            if *weight != 0.0 {
                                let slot = *slot as usize;
                                let moved = (worlds[joints[slot]] * binds[slot]).transform_point3(point);
                                sum[vertex] += *weight * moved;
                            }
                        }
                    }
                }
                out.extend(sum);
            }
        }
        out
    }

    /// The length of a clip, seconds.
    pub(crate) fn length(&self, clip: usize) -> f64 {
        let samplers = self.list("animations")[clip]["samplers"].as_array().unwrap();
        samplers.iter().flat_map(|s| self.numbers(number(s, "input"))).flatten().fold(0.0, f64::max)
    }

    pub(crate) fn node(&self, name: &str) -> usize {
        self.list("nodes").iter().position(|node| node["name"] == name).unwrap()
    }
}

fn bytes_of(component: usize) -> usize {
    match component {
        5120 | 5121 => 1,
        5122 | 5123 => 2,
        _ => 4,
    }
}

/// Pointers at which the two texts differ, down to the smallest value; order of members, white space and the text of
/// numbers count.
pub(crate) fn changed(before: &str, after: &str) -> Vec<String> {
    let raw = |text: &str| -> Box<serde_json::value::RawValue> {
        serde_json::from_str(text.trim_start_matches('\u{feff}')).unwrap()
    };
    let mut out = Vec::new();
    compare(&raw(before), &raw(after), "", &mut out);
    out
}

type Raw = serde_json::value::RawValue;

/// Members in the order of the text.
struct Members(Vec<(String, Box<Raw>)>);

impl<'de> serde::Deserialize<'de> for Members {
    fn deserialize<D: serde::Deserializer<'de>>(deserializer: D) -> Result<Self, D::Error> {
        struct Visit;
        impl<'de> serde::de::Visitor<'de> for Visit {
            type Value = Members;
            fn expecting(&self, out: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
                out.write_str("an object")
            }
            fn visit_map<A: serde::de::MapAccess<'de>>(self, mut map: A) -> Result<Members, A::Error> {
                let mut out = Vec::new();
                while let Some(entry) = map.next_entry()? {
                    out.push(entry);
                }
                Ok(Members(out))
            }
        }
        deserializer.deserialize_map(Visit)
    }
}

fn compare(before: &Raw, after: &Raw, at: &str, out: &mut Vec<String>) {
    if before.get() == after.get() {
        return;
    }
    let known = out.len();
    let lists = [before, after].map(|raw| serde_json::from_str::<Vec<Box<Raw>>>(raw.get()).ok());
    let maps = [before, after].map(|raw| serde_json::from_str::<Members>(raw.get()).ok());
    match (lists, maps) {
        ([Some(a), Some(b)], _) if a.len() <= b.len() => {
            for (index, item) in b.iter().enumerate() {
                match a.get(index) {
                    Some(old) => compare(old, item, &format!("{at}/{index}"), out),
                    None => out.push(format!("{at}/{index}")),
                }
            }
        }
        (_, [Some(a), Some(b)]) => {
            let keys = |m: &Members| m.0.iter().map(|(key, _)| key.clone()).collect::<Vec<_>>();
            let (old, new) = (keys(&a), keys(&b));
            // Members that stay keep their order.
            let both = |list: &[String], other: &[String]| {
                list.iter().filter(|key| other.contains(key)).cloned().collect::<Vec<_>>()
            };
            assert_eq!(both(&old, &new), both(&new, &old), "{at}: the order of members has changed");
            for (key, value) in &b.0 {
                match a.0.iter().find(|(known, _)| known == key) {
                    Some((_, old)) => compare(old, value, &format!("{at}/{key}"), out),
                    None => out.push(format!("{at}/{key}")),
                }
            }
            out.extend(old.iter().filter(|key| !new.contains(key)).map(|key| format!("{at}/{key}")));
        }
        _ => out.push(at.to_owned()),
    }
    assert!(out.len() > known, "{at}: only white space has changed");
}
