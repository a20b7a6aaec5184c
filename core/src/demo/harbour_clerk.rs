//! A clerk in a heavy coat, with a lantern and brass buttons. Metres; +Y up, facing +Z, left at +X.

use glam::DVec3;

use super::layout::{Chain, Layout, Lump, flat, round};

const COAT: [f32; 3] = [0.035, 0.06, 0.13];
const CUFF: [f32; 3] = [0.075, 0.11, 0.2];
const SKIN: [f32; 3] = [0.62, 0.36, 0.24];
const BEARD: [f32; 3] = [0.42, 0.38, 0.34];
const BOOT: [f32; 3] = [0.045, 0.03, 0.02];
const TROUSER: [f32; 3] = [0.12, 0.11, 0.1];
const DARK: [f32; 3] = [0.015, 0.015, 0.02];
const BRASS: [f32; 3] = [0.78, 0.53, 0.14];
const GLOW: [f32; 3] = [1.0, 0.85, 0.3];

const X: DVec3 = DVec3::X;

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
    let mut clerk = Layout::new(0.045, COAT);
    clerk.chain(&centre(
        "trunk",
        "spine",
        None,
        &["hips", "waist", "ribs"],
        &[
            ([0.0, 0.95, 0.0], 0.118),
            ([0.0, 1.09, 0.01], 0.116),
            ([0.0, 1.24, 0.008], 0.128),
            ([0.0, 1.44, -0.02], 0.09),
        ],
    ));
    clerk.widen("trunk", X, 1.32);
    head(&mut clerk);
    legs(&mut clerk);
    arms(&mut clerk);
    // A high collar, and lapels down to the first button.
    clerk.blend(0.02);
    clerk.paint(CUFF);
    clerk.flesh(
        "ribs",
        &[
            flat([0.0, 1.485, -0.095], [0.065, 1.478, -0.06], [0.021, 0.021], DVec3::Y, 1.7),
            flat([0.065, 1.478, -0.06], [0.078, 1.455, 0.015], [0.021, 0.021], DVec3::Y, 1.7),
            flat([0.078, 1.455, 0.015], [0.045, 1.425, 0.085], [0.021, 0.019], DVec3::Y, 1.6),
            flat([0.05, 1.42, 0.088], [0.04, 1.31, 0.128], [0.014, 0.012], X, 2.2),
        ],
    );
    clerk.flesh("hips", &[flat([-0.115, 1.045, 0.01], [0.115, 1.045, 0.01], [0.04, 0.04], DVec3::Z, 3.3)]);
    pieces(&mut clerk);
    clerk.control("gaze", "head", "hips", [0.0, 1.65, 1.2]);
    clerk.control_twins("step", "leg", "hips", [0.12, 0.09, -0.02]);
    clerk.range("head", -40.0..=40.0, 30.0, 70.0);
    clerk.range("hand", -60.0..=60.0, 20.0, 0.0);
    clerk.range("cap_peak", 0.0..=5.0, 0.0, 0.0);
    clerk.range("thigh_l", -110.0..=30.0, 35.0, 30.0);
    clerk.swing("waist", X, 2.0);
    clerk.swing("head", X, 4.0);
    clerk.swing("upper_arm_l", X, 6.0);
    clerk.swing("upper_arm_r", X, -6.0);
    clerk.swing("coat_back_1", X, 4.0);
    clerk
}

fn head(clerk: &mut Layout) {
    clerk.blend(0.02);
    clerk.paint(SKIN);
    let neck = [([0.0, 1.44, -0.02], 0.062), ([0.0, 1.545, 0.002], 0.054)];
    clerk.chain(&centre("neck", "neck", Some("ribs"), &["neck"], &neck));
    let skull = [([0.0, 1.545, 0.002], 0.062), ([0.0, 1.70, 0.012], 0.088)];
    clerk.chain(&centre("head", "head", Some("neck"), &["head"], &skull));
    clerk.flesh("head", &[round([0.0, 1.645, 0.03], [0.0, 1.69, 0.022], [0.082, 0.086])]);
    clerk.blend(0.01);
    clerk.flesh(
        "head",
        &[
            round([0.0, 1.66, 0.112], [0.0, 1.627, 0.132], [0.012, 0.019]),
            round([0.094, 1.665, 0.015], [0.096, 1.63, 0.012], [0.019, 0.013]),
            round([0.038, 1.625, 0.088], [0.042, 1.622, 0.085], [0.027, 0.025]),
        ],
    );
    clerk.paint(DARK);
    clerk.flesh("head", &[round([0.034, 1.668, 0.1025], [0.036, 1.668, 0.1025], [0.0115, 0.0115])]);
    clerk.paint(BEARD);
    clerk.flesh(
        "head",
        &[
            flat([0.0, 1.60, 0.065], [0.0, 1.545, 0.085], [0.055, 0.03], X, 1.25),
            round([0.004, 1.603, 0.118], [0.05, 1.588, 0.098], [0.016, 0.009]),
            round([0.022, 1.687, 0.108], [0.052, 1.687, 0.094], [0.009, 0.008]),
            flat([0.08, 1.65, 0.035], [0.06, 1.585, 0.06], [0.022, 0.024], DVec3::Z, 1.2),
        ],
    );
    clerk.paint(COAT);
    clerk.flesh(
        "head",
        &[
            flat([-0.03, 1.735, 0.01], [0.03, 1.735, 0.01], [0.034, 0.034], DVec3::Z, 3.0),
            flat([-0.07, 1.782, 0.01], [0.07, 1.782, 0.01], [0.03, 0.03], DVec3::Z, 3.9),
        ],
    );
    clerk.paint(DARK);
    let peak = [([0.0, 1.728, 0.075], 0.013), ([0.0, 1.712, 0.165], 0.012)];
    clerk.chain(&centre("cap_peak", "other", Some("head"), &["cap_peak"], &peak));
    clerk.widen("cap_peak", X, 5.5);
}

fn legs(clerk: &mut Layout) {
    clerk.blend(0.02);
    clerk.paint(TROUSER);
    clerk.twins(&Chain {
        part: "leg",
        kind: "leg",
        side: "left",
        parent: Some("hips"),
        names: &["thigh", "shank", "foot", "toes"],
        stations: &[
            ([0.095, 0.92, 0.0], 0.078),
            ([0.11, 0.50, 0.018], 0.06),
            ([0.115, 0.095, -0.025], 0.044),
            ([0.12, 0.04, 0.09], 0.03),
            ([0.122, 0.036, 0.165], 0.024),
        ],
        bend: X,
        hinge: Some(1),
    });
    clerk.paint(BOOT);
    clerk.flesh(
        "shank_l",
        &[
            round([0.111, 0.385, 0.005], [0.1145, 0.13, -0.021], [0.067, 0.053]),
            round([0.111, 0.40, 0.006], [0.111, 0.385, 0.005], [0.073, 0.073]),
        ],
    );
    clerk.flesh(
        "foot_l",
        &[
            round([0.115, 0.09, -0.028], [0.115, 0.04, -0.03], [0.05, 0.042]),
            flat([0.116, 0.042, -0.01], [0.12, 0.04, 0.09], [0.041, 0.04], X, 1.15),
        ],
    );
    clerk.flesh("toes_l", &[flat([0.12, 0.04, 0.10], [0.122, 0.038, 0.155], [0.04, 0.034], X, 1.3)]);
    clerk.feet("leg", &["foot_l", "toes_l"], [0.12, 0.09]);
    clerk.paint(COAT);
    clerk.blend(0.04);
    clerk.twins(&Chain {
        part: "coat",
        kind: "other",
        side: "left",
        parent: Some("hips"),
        names: &["coat_1", "coat_2"],
        stations: &[([0.10, 0.93, 0.005], 0.075), ([0.15, 0.74, 0.01], 0.078), ([0.185, 0.56, 0.015], 0.08)],
        bend: X,
        hinge: None,
    });
    clerk.widen("coat_l", DVec3::Z, 1.6);
    clerk.widen("coat_r", DVec3::Z, 1.6);
    let back = [([0.0, 0.93, -0.07], 0.06), ([0.0, 0.74, -0.105], 0.06), ([0.0, 0.56, -0.13], 0.062)];
    clerk.chain(&centre("coat_back", "other", Some("hips"), &["coat_back_1", "coat_back_2"], &back));
    clerk.widen("coat_back", X, 2.3);
}

fn arms(clerk: &mut Layout) {
    clerk.blend(0.025);
    clerk.paint(COAT);
    clerk.twins(&Chain {
        part: "arm",
        kind: "arm",
        side: "left",
        parent: Some("ribs"),
        names: &["yoke", "upper_arm", "forearm", "hand"],
        stations: &[
            ([0.05, 1.395, -0.012], 0.074),
            ([0.175, 1.395, -0.02], 0.078),
            ([0.335, 1.175, -0.032], 0.06),
            ([0.48, 0.975, 0.015], 0.044),
            ([0.532, 0.90, 0.042], 0.02),
        ],
        bend: DVec3::new(-1.0, -1.0, 0.0),
        hinge: Some(2),
    });
    clerk.paint(CUFF);
    clerk.flesh("forearm_l", &[round([0.425, 1.051, -0.003], [0.462, 1.0, 0.009], [0.06, 0.062])]);
    clerk.blend(0.012);
    clerk.paint(SKIN);
    clerk.flesh(
        "hand_l",
        &[flat(
            [0.487, 0.965, 0.0185],
            [0.53, 0.903, 0.041],
            [0.026, 0.025],
            DVec3::new(0.2, 0.0, 1.0),
            1.75,
        )],
    );
    for (name, stations) in [
        (
            "thumb",
            [([0.497, 0.95, 0.055], 0.019), ([0.502, 0.918, 0.098], 0.017), ([0.515, 0.885, 0.125], 0.0125)],
        ),
        (
            "fore",
            [([0.531, 0.905, 0.073], 0.018), ([0.556, 0.856, 0.094], 0.016), ([0.570, 0.812, 0.108], 0.0125)],
        ),
        (
            "long",
            [
                ([0.538, 0.893, 0.044], 0.018),
                ([0.567, 0.838, 0.052], 0.0165),
                ([0.581, 0.792, 0.053], 0.0125),
            ],
        ),
        (
            "hind",
            [
                ([0.535, 0.898, 0.014], 0.018),
                ([0.560, 0.848, 0.006], 0.016),
                ([0.573, 0.806, -0.002], 0.0125),
            ],
        ),
    ] {
        let names = [1, 2].map(|n| format!("{name}_{n}"));
        let names: Vec<&str> = names.iter().map(String::as_str).collect();
        clerk.twins(&Chain {
            part: name,
            kind: "digit",
            side: "left",
            parent: Some("hand_l"),
            names: &names,
            stations: &stations,
            bend: DVec3::new(-1.0, 0.0, 0.3),
            hinge: None,
        });
    }
}

fn pieces(clerk: &mut Layout) {
    clerk.blend(0.003);
    clerk.paint(BRASS);
    let ring = |step: i32, radius: f64, y: f64| -> [f64; 3] {
        let (sin, cos) = (f64::from(step) * std::f64::consts::TAU / 12.0).sin_cos();
        [radius * cos, y, radius * sin]
    };
    let mut lantern: Vec<Lump> = Vec::new();
    for step in 0..12 {
        lantern.push(round(ring(step, 0.058, -0.125), ring(step + 1, 0.058, -0.125), [0.009, 0.009]));
        lantern.push(round(ring(step, 0.058, -0.27), ring(step + 1, 0.058, -0.27), [0.011, 0.011]));
        let (sin, cos) = (f64::from(step) * std::f64::consts::TAU / 12.0).sin_cos();
        let (next_sin, next_cos) = (f64::from(step + 1) * std::f64::consts::TAU / 12.0).sin_cos();
        lantern.push(round(
            [0.03 * cos, 0.03 * sin - 0.03, 0.0],
            [0.03 * next_cos, 0.03 * next_sin - 0.03, 0.0],
            [0.006, 0.006],
        ));
        if step % 3 == 0 {
            lantern.push(round(ring(step, 0.058, -0.125), ring(step, 0.058, -0.27), [0.007, 0.007]));
        }
    }
    lantern.push(round([0.0, -0.115, 0.0], [0.0, -0.065, 0.0], [0.05, 0.012]));
    lantern.push(flat([-0.03, -0.275, 0.0], [0.03, -0.275, 0.0], [0.012, 0.012], DVec3::Z, 4.5));
    clerk.piece("lantern", "lantern_hook", "hand_r", [-0.565, 0.86, 0.045], &lantern);
    clerk.paint(GLOW);
    clerk.beside(
        "lantern_glass",
        "lantern_hook",
        &[round([0.0, -0.165, 0.0], [0.0, -0.235, 0.0], [0.042, 0.045])],
    );
    clerk.paint(BRASS);
    for (number, y, parent) in [(1, 1.27, "ribs"), (2, 1.19, "waist"), (3, 1.11, "waist")] {
        let at = [0.052, y, clerk.front(0.052, y) + 0.001];
        let button = [flat([0.0, 0.0, 0.0], [0.0, 0.0, 0.0], [0.016, 0.016], DVec3::Z, 0.5)];
        clerk.piece_twins(&format!("button_{number}"), &format!("button_hook_{number}"), parent, at, &button);
    }
}
