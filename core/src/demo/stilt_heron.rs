//! A heron on long legs, with a ring on one of them. Metres; +Y up, facing +Z, left at +X.

use glam::DVec3;

use super::layout::{Chain, Layout, Lump, flat, round};

const GREY: [f32; 3] = [0.3, 0.36, 0.43];
const DARK: [f32; 3] = [0.07, 0.09, 0.13];
const PALE: [f32; 3] = [0.75, 0.77, 0.78];
const BILL: [f32; 3] = [0.8, 0.5, 0.1];
const LEG: [f32; 3] = [0.4, 0.33, 0.16];
const EYE: [f32; 3] = [0.9, 0.75, 0.1];
const BRASS: [f32; 3] = [0.78, 0.53, 0.14];

const X: DVec3 = DVec3::X;

/// A part on the plane.
fn centre<'c>(
    part: &'c str,
    kind: &'static str,
    parent: Option<&'c str>,
    names: &'c [&'c str],
    stations: &'c [([f64; 3], f64)],
) -> Chain<'c> {
    Chain { part, kind, side: "centre", parent, names, stations, bend: X, hinge: None }
}

pub(super) fn layout() -> Layout {
    let mut heron = Layout::new(0.03, GREY);
    heron.chain(&centre(
        "back",
        "spine",
        None,
        &["rump", "breast"],
        &[([0.0, 0.735, -0.15], 0.07), ([0.0, 0.765, 0.0], 0.105), ([0.0, 0.815, 0.13], 0.066)],
    ));
    heron.paint(DARK);
    heron.blend(0.02);
    heron.chain(&centre(
        "tail",
        "tail",
        Some("rump"),
        &["tail_1", "tail_2"],
        &[([0.0, 0.735, -0.19], 0.03), ([0.0, 0.705, -0.29], 0.018), ([0.0, 0.67, -0.42], 0.011)],
    ));
    heron.widen("tail", X, 3.4);
    heron.paint(GREY);
    let neck = [
        ([0.0, 0.815, 0.13], 0.055),
        ([0.0, 0.90, 0.20], 0.038),
        ([0.0, 0.99, 0.205], 0.031),
        ([0.0, 1.075, 0.16], 0.028),
        ([0.0, 1.16, 0.135], 0.027),
        ([0.0, 1.24, 0.155], 0.029),
    ];
    let names = ["neck_1", "neck_2", "neck_3", "neck_4", "neck_5"];
    heron.chain(&centre("neck", "neck", Some("breast"), &names, &neck));
    heron.paint(PALE);
    let head = [([0.0, 1.24, 0.155], 0.036), ([0.0, 1.262, 0.245], 0.026)];
    heron.chain(&centre("head", "head", Some("neck_5"), &["head"], &head));
    heron.blend(0.008);
    heron.paint(DARK);
    // A crest trails from the crown.
    heron.flesh(
        "head",
        &[
            flat([0.0, 1.285, 0.17], [0.0, 1.285, 0.09], [0.012, 0.012], X, 2.0),
            flat([0.0, 1.285, 0.09], [0.0, 1.245, -0.02], [0.012, 0.006], X, 1.6),
        ],
    );
    heron.paint(BILL);
    heron.flesh("head", &[round([0.0, 1.264, 0.25], [0.0, 1.25, 0.50], [0.021, 0.006])]);
    heron.paint(EYE);
    heron.flesh("head", &[round([0.025, 1.272, 0.215], [0.027, 1.272, 0.215], [0.011, 0.011])]);
    heron.paint(BILL);
    heron.chain(&centre(
        "bill",
        "jaw",
        Some("head"),
        &["bill"],
        &[([0.0, 1.232, 0.205], 0.016), ([0.0, 1.20, 0.47], 0.006)],
    ));
    wings(&mut heron);
    legs(&mut heron);
    heron.paint(BRASS);
    let ring: Vec<Lump> = (0..14)
        .map(|step| {
            let at = |step: i32| {
                let (sin, cos) = (f64::from(step) / 14.0 * std::f64::consts::TAU).sin_cos();
                [0.026 * cos, 0.0, 0.026 * sin]
            };
            flat(at(step), at(step + 1), [0.006, 0.006], DVec3::Y, 2.2)
        })
        .collect();
    heron.piece("ring", "ring_hook", "tarsus_l", [0.08, 0.19, -0.0193], &ring);
    heron.control("gaze", "head", "rump", [0.0, 1.25, 1.2]);
    heron.range("head", -40.0..=60.0, 40.0, 60.0);
    heron.range("bill", 0.0..=25.0, 0.0, 0.0);
    heron.swing("neck_1", X, 5.0);
    heron.swing("neck_3", X, -7.0);
    heron.swing("head", X, 5.0);
    heron.swing("wing_1_l", X, 8.0);
    heron.swing("wing_1_r", X, 8.0);
    heron
}

fn wings(heron: &mut Layout) {
    heron.blend(0.02);
    heron.paint(GREY);
    heron.twins(&Chain {
        part: "wing",
        kind: "wing",
        side: "left",
        parent: Some("breast"),
        names: &["wing_1", "wing_2", "wing_3"],
        stations: &[
            ([0.075, 0.835, 0.055], 0.042),
            ([0.25, 0.885, -0.005], 0.03),
            ([0.47, 0.90, 0.075], 0.022),
            ([0.68, 0.87, 0.03], 0.012),
        ],
        bend: DVec3::NEG_Y,
        hinge: Some(1),
    });
    heron.blend(0.008);
    for (number, parent, from, to, tips) in [
        (1, "wing_1_l", [0.18, 0.862, 0.01], [0.205, 0.73, -0.22], [0.13, 0.205, 0.28]),
        (2, "wing_2_l", [0.36, 0.892, 0.035], [0.405, 0.73, -0.20], [0.345, 0.41, 0.475]),
        (3, "wing_3_l", [0.56, 0.885, 0.05], [0.645, 0.735, -0.16], [0.545, 0.63, 0.72]),
    ] {
        heron.paint(if number == 1 { GREY } else { DARK });
        let name = format!("plume_{number}");
        heron.twins(&Chain {
            part: &name,
            kind: "other",
            side: "left",
            parent: Some(parent),
            names: &[&name],
            stations: &[(from, 0.0), (to, 0.0)],
            bend: X,
            hinge: None,
        });
        let wide = DVec3::new(1.0, 0.15, 0.2);
        let feathers = tips.iter().enumerate().map(|(place, x)| {
            let root = (place as f64 - 1.0) * 0.06;
            let end = [*x, to[1], to[2] + 0.03 * (place as f64 - 1.0).abs()];
            flat([from[0] + root, from[1], from[2] - 0.005], end, [0.014, 0.009], wide, 3.2)
        });
        heron.flesh(&format!("{name}_l"), &feathers.collect::<Vec<_>>());
    }
}

fn legs(heron: &mut Layout) {
    heron.blend(0.018);
    heron.paint(GREY);
    heron.twins(&Chain {
        part: "leg",
        kind: "leg",
        side: "left",
        parent: Some("rump"),
        names: &["thigh", "shank", "tarsus"],
        stations: &[
            ([0.062, 0.725, -0.03], 0.055),
            ([0.08, 0.615, 0.035], 0.036),
            ([0.08, 0.335, -0.035], 0.019),
            ([0.08, 0.028, 0.0], 0.016),
        ],
        bend: X,
        hinge: Some(1),
    });
    heron.paint(LEG);
    heron.flesh(
        "tarsus_l",
        &[
            round([0.08, 0.335, -0.035], [0.08, 0.32, -0.0329], [0.024, 0.021]),
            round([0.08, 0.32, -0.0329], [0.08, 0.028, 0.0], [0.0205, 0.0175]),
        ],
    );
    heron.flesh("shank_l", &[round([0.08, 0.43, -0.0112], [0.08, 0.335, -0.035], [0.0255, 0.021])]);
    heron.blend(0.01);
    for (name, tip) in [
        ("toe_in", [0.03, 0.011, 0.15]),
        ("toe_mid", [0.083, 0.011, 0.185]),
        ("toe_out", [0.14, 0.011, 0.145]),
        ("toe_hind", [0.072, 0.011, -0.11]),
    ] {
        let middle = [0.08 + (tip[0] - 0.08) * 0.5, 0.019, tip[2] * 0.5];
        let names = [1, 2].map(|n| format!("{name}_{n}"));
        let names: Vec<&str> = names.iter().map(String::as_str).collect();
        heron.twins(&Chain {
            part: name,
            kind: "digit",
            side: "left",
            parent: Some("tarsus_l"),
            names: &names,
            stations: &[([0.08, 0.028, 0.0], 0.0145), (middle, 0.0125), (tip, 0.008)],
            bend: X,
            hinge: None,
        });
    }
    let toes = ["toe_in_1_l", "toe_in_2_l", "toe_mid_1_l", "toe_mid_2_l", "toe_out_1_l", "toe_out_2_l"];
    heron.feet("leg", &toes, [0.083, 0.06]);
}
