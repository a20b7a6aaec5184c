//! A fiddler crab that carries the satchel: one claw far bigger than the other. Metres; +Y up, facing +Z, left at +X.

use glam::DVec3;

use super::layout::{Chain, Layout, flat, round};

const SHELL: [f32; 3] = [0.52, 0.13, 0.06];
const LEG: [f32; 3] = [0.6, 0.24, 0.1];
const CLAW: [f32; 3] = [0.8, 0.35, 0.1];
const PALE: [f32; 3] = [0.9, 0.68, 0.42];
const EYE: [f32; 3] = [0.02, 0.02, 0.03];
const LEATHER: [f32; 3] = [0.2, 0.09, 0.035];
const BRASS: [f32; 3] = [0.78, 0.53, 0.14];

pub(super) fn layout() -> Layout {
    let mut crab = Layout::new(0.03, SHELL);
    crab.chain(&Chain {
        part: "shell",
        kind: "spine",
        side: "centre",
        parent: None,
        names: &["shell_rear", "shell_front"],
        stations: &[([0.0, 0.30, -0.16], 0.07), ([0.0, 0.315, 0.0], 0.092), ([0.0, 0.305, 0.155], 0.075)],
        bend: DVec3::X,
        hinge: None,
    });
    crab.widen("shell", DVec3::X, 1.75);
    crab.twins(&Chain {
        part: "flank",
        kind: "brace",
        side: "left",
        parent: Some("shell_front"),
        names: &["flank"],
        stations: &[([0.10, 0.305, 0.02], 0.082), ([0.205, 0.30, 0.015], 0.056)],
        bend: DVec3::Z,
        hinge: None,
    });
    crab.widen("flank_l", DVec3::Z, 1.9);
    crab.widen("flank_r", DVec3::Z, 1.9);
    // The corners of the shell run out in spines; between the claws lie the mouthparts.
    crab.flesh("flank_l", &[round([0.20, 0.33, 0.12], [0.285, 0.345, 0.165], [0.034, 0.008])]);
    crab.flesh("flank_l", &[round([0.21, 0.315, 0.03], [0.275, 0.325, 0.055], [0.03, 0.008])]);
    crab.paint(PALE);
    crab.flesh(
        "shell_front",
        &[flat([0.034, 0.285, 0.205], [0.03, 0.235, 0.22], [0.03, 0.022], DVec3::X, 1.1)],
    );
    crab.flesh("shell_rear", &[flat([0.0, 0.262, -0.13], [0.0, 0.25, 0.08], [0.05, 0.06], DVec3::X, 1.9)]);
    crab.blend(0.014);
    crab.paint(CLAW);
    crab.twins(&Chain {
        part: "stalk",
        kind: "feeler",
        side: "left",
        parent: Some("shell_front"),
        names: &["stalk_1", "stalk_2"],
        stations: &[
            ([0.062, 0.35, 0.175], 0.024),
            ([0.07, 0.445, 0.20], 0.016),
            ([0.078, 0.535, 0.205], 0.017),
        ],
        bend: DVec3::X,
        hinge: None,
    });
    crab.paint(EYE);
    crab.flesh("stalk_2_l", &[round([0.0775, 0.525, 0.2045], [0.08, 0.555, 0.206], [0.034, 0.032])]);
    crab.blend(0.016);
    for (number, z, spread) in [(1, 0.10, 0.17), (2, 0.035, 0.05), (3, -0.035, -0.09), (4, -0.105, -0.24)] {
        crab.paint(LEG);
        let names = [1, 2, 3, 4].map(|joint| format!("leg_{number}_{joint}"));
        let names: Vec<&str> = names.iter().map(String::as_str).collect();
        let part = format!("leg_{number}");
        let stations = [
            ([0.20, 0.275, z], 0.034),
            ([0.275, 0.30, z + spread * 0.25], 0.029),
            ([0.44, 0.43, z + spread * 0.65], 0.027),
            ([0.575, 0.215, z + spread * 0.95], 0.019),
            ([0.625, 0.012, z + spread * 1.1], 0.008),
        ];
        crab.twins(&Chain {
            part: &part,
            kind: "leg",
            side: "left",
            parent: Some("flank_l"),
            names: &names,
            stations: &stations,
            bend: DVec3::Z,
            hinge: Some(2),
        });
        // The long joint swells before the knee.
        let swell = flat(
            [0.315, 0.333, z + spread * 0.36],
            [0.40, 0.40, z + spread * 0.57],
            [0.03, 0.03],
            DVec3::new(-0.6, 0.8, 0.0),
            1.35,
        );
        crab.flesh(&format!("leg_{number}_2_l"), &[swell]);
        crab.feet(&part, &[&format!("leg_{number}_4_l")], [0.625, z + spread * 1.1]);
    }
    crab.blend(0.018);
    crab.paint(CLAW);
    crab.chain(&Chain {
        part: "claw_big",
        kind: "arm",
        side: "left",
        parent: Some("shell_front"),
        names: &["claw_big_1", "claw_big_2", "claw_big_3"],
        stations: &[
            ([0.165, 0.295, 0.13], 0.046),
            ([0.30, 0.27, 0.30], 0.05),
            ([0.25, 0.36, 0.46], 0.052),
            ([0.075, 0.47, 0.52], 0.084),
        ],
        bend: DVec3::Y,
        hinge: Some(1),
    });
    // The palm, and the finger that is one with it.
    crab.flesh(
        "claw_big_3",
        &[flat([0.20, 0.395, 0.485], [0.06, 0.475, 0.525], [0.062, 0.07], DVec3::new(0.5, 0.86, 0.0), 1.55)],
    );
    crab.paint(PALE);
    crab.flesh(
        "claw_big_3",
        &[
            round([0.06, 0.43, 0.525], [-0.09, 0.405, 0.55], [0.05, 0.038]),
            round([-0.09, 0.405, 0.55], [-0.20, 0.42, 0.565], [0.038, 0.026]),
            round([-0.20, 0.42, 0.565], [-0.285, 0.465, 0.57], [0.026, 0.01]),
        ],
    );
    crab.chain(&Chain {
        part: "claw_big_finger",
        kind: "digit",
        side: "left",
        parent: Some("claw_big_3"),
        names: &["claw_big_finger_1", "claw_big_finger_2"],
        stations: &[
            ([0.075, 0.56, 0.51], 0.05),
            ([-0.125, 0.605, 0.55], 0.036),
            ([-0.265, 0.565, 0.57], 0.011),
        ],
        bend: DVec3::Z,
        hinge: None,
    });
    crab.paint(LEG);
    crab.chain(&Chain {
        part: "claw_small",
        kind: "arm",
        side: "right",
        parent: Some("shell_front"),
        names: &["claw_small_1", "claw_small_2", "claw_small_3"],
        stations: &[
            ([-0.10, 0.255, 0.175], 0.032),
            ([-0.21, 0.235, 0.28], 0.026),
            ([-0.19, 0.225, 0.375], 0.024),
            ([-0.115, 0.22, 0.43], 0.024),
        ],
        bend: DVec3::NEG_Y,
        hinge: Some(1),
    });
    crab.paint(PALE);
    crab.flesh(
        "claw_small_3",
        &[
            round([-0.115, 0.233, 0.43], [-0.04, 0.258, 0.46], [0.017, 0.007]),
            round([-0.115, 0.207, 0.43], [-0.04, 0.187, 0.46], [0.017, 0.007]),
        ],
    );
    for part in ["claw_big", "claw_big_finger", "claw_small"] {
        crab.asymmetric(part);
    }
    crab.blend(0.006);
    crab.paint(LEATHER);
    let strap = |angle: f64| {
        let (sin, cos) = angle.to_radians().sin_cos();
        [0.185 * cos, 0.115 * sin - 0.125, 0.0]
    };
    let mut bag = vec![
        flat([-0.09, 0.035, 0.0], [0.09, 0.035, 0.0], [0.042, 0.042], DVec3::Y, 1.35),
        flat([-0.094, 0.062, 0.02], [0.094, 0.062, 0.02], [0.03, 0.03], DVec3::Y, 1.1),
        flat([-0.09, 0.03, 0.046], [0.09, 0.03, 0.046], [0.008, 0.008], DVec3::Y, 4.5),
    ];
    for step in 0..6 {
        let (from, to) = (20.0 + 13.0 * f64::from(step), 33.0 + 13.0 * f64::from(step));
        for side in [1.0, -1.0] {
            let turn = |[x, y, z]: [f64; 3]| [x * side, y, z];
            bag.push(flat(turn(strap(from)), turn(strap(to)), [0.007, 0.007], DVec3::Z, 3.0));
        }
    }
    crab.piece("satchel", "satchel_hook", "shell_rear", [0.0, 0.415, -0.07], &bag);
    crab.paint(BRASS);
    crab.beside(
        "buckle",
        "satchel_hook",
        &[flat([0.0, 0.005, 0.056], [0.0, 0.03, 0.057], [0.008, 0.008], DVec3::X, 2.2)],
    );
    crab.control("gaze", "eyes", "shell_rear", [0.0, 0.55, 0.9]);
    crab.range("shell_front", -15.0..=15.0, 10.0, 10.0);
    for side in ["l", "r"] {
        crab.swing(&format!("stalk_1_{side}"), DVec3::X, 8.0);
        crab.swing(&format!("leg_2_1_{side}"), DVec3::X, 6.0);
        crab.swing(&format!("leg_3_1_{side}"), DVec3::X, -6.0);
    }
    crab.swing("claw_big_1", DVec3::Z, 8.0);
    crab.swing("claw_big_finger_1", DVec3::X, 6.0);
    crab
}
