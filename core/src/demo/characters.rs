//! The four layouts. Metres; +Y up, facing +Z, left at +X; only left limbs are written down.

use glam::DVec3;

use super::layout::Layout;

/// The layout of a character.
pub(super) fn layout(name: &str) -> Option<Layout> {
    Some(match name {
        "fiddler-porter" => fiddler_porter(),
        "stilt-heron" => stilt_heron(),
        "lantern-eel" => lantern_eel(),
        "harbour-clerk" => harbour_clerk(),
        _ => return None,
    })
}

const X: DVec3 = DVec3::X;
const LEATHER: [f32; 4] = [0.35, 0.2, 0.1, 1.0];
const BRASS: [f32; 4] = [0.85, 0.65, 0.25, 1.0];

/// A fiddler crab that carries the satchel: one claw far bigger than the other.
fn fiddler_porter() -> Layout {
    let mut crab = Layout::new(0.035, [0.75, 0.35, 0.2, 1.0]);
    let shell = [([0.0, 0.30, -0.16], 0.10), ([0.0, 0.31, 0.0], 0.125), ([0.0, 0.30, 0.15], 0.095)];
    crab.chain("shell", "spine", "centre", None, &["shell_rear", "shell_front"], &shell, X);
    let flank = [([0.06, 0.305, 0.0], 0.12), ([0.19, 0.30, 0.01], 0.10)];
    crab.twins("flank", "brace", "shell_front", &["flank"], &flank, DVec3::Z);
    let stalk = [([0.065, 0.37, 0.16], 0.022), ([0.075, 0.47, 0.185], 0.016), ([0.082, 0.56, 0.19], 0.03)];
    crab.twins("stalk", "feeler", "shell_front", &["stalk_1", "stalk_2"], &stalk, X);
    for (number, z, spread) in [(1, 0.13, 0.22), (2, 0.04, 0.07), (3, -0.06, -0.10), (4, -0.14, -0.26)] {
        let leg = [
            ([0.21, 0.26, z], 0.038),
            ([0.37, 0.40, z + spread * 0.4], 0.03),
            ([0.52, 0.22, z + spread * 0.8], 0.022),
            ([0.60, 0.012, z + spread], 0.012),
        ];
        let names = [1, 2, 3].map(|joint| format!("leg_{number}_{joint}"));
        let names: Vec<&str> = names.iter().map(String::as_str).collect();
        let part = format!("leg_{number}");
        crab.twins(&part, "leg", "shell_front", &names, &leg, DVec3::Z);
        crab.foot(&format!("{part}_l"), [0.60, 0.0, z + spread]);
        crab.foot(&format!("{part}_r"), [-0.60, 0.0, z + spread]);
    }
    let big = [
        ([0.17, 0.27, 0.15], 0.05),
        ([0.31, 0.29, 0.27], 0.055),
        ([0.22, 0.34, 0.42], 0.075),
        ([-0.06, 0.40, 0.50], 0.115),
    ];
    let names = ["claw_big_1", "claw_big_2", "claw_big_3"];
    crab.chain("claw_big", "arm", "left", Some("shell_front"), &names, &big, DVec3::Y);
    let finger = [([0.0, 0.47, 0.48], 0.06), ([-0.16, 0.50, 0.53], 0.05), ([-0.29, 0.43, 0.56], 0.02)];
    let names = ["claw_big_finger_1", "claw_big_finger_2"];
    crab.chain("claw_big_finger", "digit", "left", Some("claw_big_3"), &names, &finger, DVec3::Y);
    let small = [
        ([-0.17, 0.27, 0.15], 0.03),
        ([-0.26, 0.25, 0.24], 0.028),
        ([-0.22, 0.23, 0.32], 0.026),
        ([-0.14, 0.22, 0.37], 0.018),
    ];
    let names = ["claw_small_1", "claw_small_2", "claw_small_3"];
    crab.chain("claw_small", "arm", "right", Some("shell_front"), &names, &small, DVec3::NEG_Y);
    for part in ["claw_big", "claw_big_finger", "claw_small"] {
        crab.asymmetric(part);
    }
    crab.piece("satchel", "shell_rear", [-0.07, 0.46, -0.1], [0.07, 0.46, -0.1], 0.055, LEATHER);
    for side in ["l", "r"] {
        crab.swing(&format!("stalk_1_{side}"), X, 8.0);
        crab.swing(&format!("leg_2_1_{side}"), DVec3::Z, 6.0);
        crab.swing(&format!("leg_3_1_{side}"), DVec3::Z, -6.0);
    }
    crab.swing("claw_big_1", DVec3::Z, 10.0);
    crab
}

/// A heron on long legs, with a ring on one of them.
fn stilt_heron() -> Layout {
    let mut heron = Layout::new(0.03, [0.55, 0.62, 0.7, 1.0]);
    let back = [([0.0, 0.74, -0.14], 0.075), ([0.0, 0.77, 0.0], 0.105), ([0.0, 0.80, 0.13], 0.08)];
    heron.chain("back", "spine", "centre", None, &["rump", "breast"], &back, X);
    let tail = [([0.0, 0.73, -0.18], 0.05), ([0.0, 0.70, -0.29], 0.038), ([0.0, 0.665, -0.40], 0.02)];
    heron.chain("tail", "tail", "centre", Some("rump"), &["tail_1", "tail_2"], &tail, X);
    let neck = [
        ([0.0, 0.83, 0.15], 0.05),
        ([0.0, 0.92, 0.20], 0.038),
        ([0.0, 1.01, 0.17], 0.032),
        ([0.0, 1.09, 0.12], 0.03),
        ([0.0, 1.18, 0.12], 0.03),
        ([0.0, 1.25, 0.17], 0.034),
    ];
    let names = ["neck_1", "neck_2", "neck_3", "neck_4", "neck_5"];
    heron.chain("neck", "neck", "centre", Some("breast"), &names, &neck, X);
    let head = [([0.0, 1.25, 0.17], 0.04), ([0.0, 1.255, 0.27], 0.03)];
    heron.chain("head", "head", "centre", Some("neck_5"), &["head"], &head, X);
    let bill = [([0.0, 1.245, 0.28], 0.02), ([0.0, 1.22, 0.50], 0.006)];
    heron.chain("bill", "jaw", "centre", Some("head"), &["bill"], &bill, X);
    let wing = [
        ([0.08, 0.83, 0.07], 0.045),
        ([0.24, 0.87, 0.01], 0.032),
        ([0.42, 0.85, 0.06], 0.026),
        ([0.60, 0.80, -0.06], 0.014),
    ];
    heron.twins("wing", "wing", "breast", &["wing_1", "wing_2", "wing_3"], &wing, DVec3::NEG_Z);
    for (number, from, to) in [
        (1, [0.18, 0.85, 0.02], [0.20, 0.79, -0.20]),
        (2, [0.34, 0.86, 0.02], [0.37, 0.79, -0.20]),
        (3, [0.48, 0.84, 0.01], [0.53, 0.77, -0.22]),
    ] {
        let name = format!("plume_{number}");
        let parent = ["wing_1_l", "wing_2_l", "wing_3_l"][number - 1];
        heron.twins(&name, "brace", parent, &[&name], &[(from, 0.03), (to, 0.012)], X);
    }
    let leg = [
        ([0.06, 0.72, -0.02], 0.05),
        ([0.075, 0.58, 0.03], 0.032),
        ([0.075, 0.33, -0.05], 0.02),
        ([0.075, 0.035, 0.0], 0.018),
    ];
    heron.twins("leg", "leg", "rump", &["thigh", "shank", "tarsus"], &leg, X);
    for (name, along) in [
        ("toe_in", [0.035, 0.012, 0.13]),
        ("toe_mid", [0.078, 0.012, 0.16]),
        ("toe_out", [0.125, 0.012, 0.13]),
        ("toe_hind", [0.075, 0.012, -0.09]),
    ] {
        let middle = [0.075 + (along[0] - 0.075) * 0.5, 0.02, along[2] * 0.5];
        let names = [1, 2].map(|n| format!("{name}_{n}"));
        let names: Vec<&str> = names.iter().map(String::as_str).collect();
        let stations = [([0.075, 0.03, 0.0], 0.016), (middle, 0.012), (along, 0.008)];
        heron.twins(name, "digit", "tarsus_l", &names, &stations, X);
    }
    heron.foot("leg_l", [0.075, 0.0, 0.03]);
    heron.foot("leg_r", [-0.075, 0.0, 0.03]);
    heron.piece("ring", "tarsus_l", [0.075, 0.19, -0.02], [0.075, 0.22, -0.025], 0.026, BRASS);
    heron.swing("neck_1", X, 6.0);
    heron.swing("neck_3", X, -8.0);
    heron.swing("head", X, 5.0);
    heron.swing("wing_1_l", DVec3::Z, 9.0);
    heron.swing("wing_1_r", DVec3::Z, -9.0);
    heron
}

/// An eel with a lure.
fn lantern_eel() -> Layout {
    let mut eel = Layout::new(0.03, [0.2, 0.35, 0.4, 1.0]);
    let stations: Vec<([f64; 3], f64)> = (0..=14)
        .map(|n| {
            let s = f64::from(n) / 14.0;
            let radius = 0.10 * (1.0 - s).powf(0.7) + 0.016;
            ([0.0, 0.30 + 0.05 * (s * 6.0).sin(), 0.45 - 1.7 * s], radius)
        })
        .collect();
    let names: Vec<String> = (1..=14).map(|n| format!("length_{n:02}")).collect();
    let names: Vec<&str> = names.iter().map(String::as_str).collect();
    eel.chain("length", "spine", "centre", None, &names, &stations, X);
    let head = [([0.0, 0.30, 0.45], 0.112), ([0.0, 0.315, 0.63], 0.075), ([0.0, 0.31, 0.74], 0.04)];
    eel.chain("head", "head", "centre", Some("length_01"), &["head", "snout"], &head, X);
    let jaw = [([0.0, 0.235, 0.50], 0.05), ([0.0, 0.225, 0.72], 0.026)];
    eel.chain("jaw", "jaw", "centre", Some("head"), &["jaw"], &jaw, X);
    let lure = [
        ([0.0, 0.41, 0.52], 0.02),
        ([0.0, 0.53, 0.56], 0.014),
        ([0.0, 0.60, 0.66], 0.011),
        ([0.0, 0.59, 0.77], 0.01),
        ([0.0, 0.55, 0.84], 0.038),
    ];
    let names = ["lure_1", "lure_2", "lure_3", "lure_4"];
    eel.chain("lure", "feeler", "centre", Some("head"), &names, &lure, X);
    let fin = [([0.09, 0.29, 0.33], 0.03), ([0.20, 0.27, 0.25], 0.032), ([0.29, 0.25, 0.12], 0.012)];
    eel.twins("fin", "fin", "length_01", &["fin_1", "fin_2"], &fin, DVec3::Y);
    let ribbon = [([0.10, 0.29, -0.12], 0.02), ([0.17, 0.28, -0.22], 0.012)];
    eel.twins("hind_fin", "fin", "length_04", &["hind_fin"], &ribbon, DVec3::Y);
    eel.piece("eye_glass_l", "head", [0.085, 0.37, 0.58], [0.09, 0.375, 0.585], 0.026, BRASS);
    eel.piece("eye_glass_r", "head", [-0.085, 0.37, 0.58], [-0.09, 0.375, 0.585], 0.026, BRASS);
    for n in 2..=13 {
        eel.swing(&format!("length_{n:02}"), DVec3::Z, if n % 4 < 2 { 7.0 } else { -7.0 });
    }
    eel.swing("lure_2", X, 10.0);
    eel
}

/// A clerk in a heavy coat, with a lantern and brass buttons.
fn harbour_clerk() -> Layout {
    let mut clerk = Layout::new(0.05, [0.25, 0.3, 0.42, 1.0]);
    let trunk = [
        ([0.0, 0.94, 0.0], 0.135),
        ([0.0, 1.09, 0.012], 0.14),
        ([0.0, 1.26, 0.004], 0.155),
        ([0.0, 1.42, -0.015], 0.11),
    ];
    clerk.chain("trunk", "spine", "centre", None, &["hips", "waist", "ribs"], &trunk, X);
    let neck = [([0.0, 1.45, -0.015], 0.06), ([0.0, 1.54, 0.01], 0.055)];
    clerk.chain("neck", "neck", "centre", Some("ribs"), &["neck"], &neck, X);
    let head = [([0.0, 1.57, 0.012], 0.092), ([0.0, 1.70, 0.022], 0.10)];
    clerk.chain("head", "head", "centre", Some("neck"), &["head"], &head, X);
    let cap = [([0.0, 1.76, 0.02], 0.085), ([0.0, 1.775, 0.13], 0.03)];
    clerk.chain("cap_peak", "other", "centre", Some("head"), &["cap_peak"], &cap, X);
    let leg = [
        ([0.095, 0.90, 0.0], 0.088),
        ([0.105, 0.49, 0.025], 0.06),
        ([0.11, 0.085, -0.02], 0.045),
        ([0.115, 0.04, 0.11], 0.042),
        ([0.118, 0.034, 0.18], 0.032),
    ];
    clerk.twins("leg", "leg", "hips", &["thigh", "shank", "foot", "toes"], &leg, X);
    let coat = [([0.09, 0.92, -0.03], 0.10), ([0.14, 0.72, -0.04], 0.095), ([0.17, 0.53, -0.05], 0.085)];
    clerk.twins("coat", "other", "hips", &["coat_1", "coat_2"], &coat, X);
    let coat_back = [([0.0, 0.90, -0.08], 0.10), ([0.0, 0.71, -0.12], 0.10), ([0.0, 0.53, -0.15], 0.09)];
    clerk.chain("coat_back", "other", "centre", Some("hips"), &["coat_back_1", "coat_back_2"], &coat_back, X);
    let arm = [
        ([0.05, 1.40, -0.01], 0.07),
        ([0.18, 1.40, -0.02], 0.078),
        ([0.36, 1.20, -0.035], 0.056),
        ([0.53, 1.01, 0.01], 0.045),
        ([0.585, 0.95, 0.03], 0.036),
    ];
    clerk.twins("arm", "arm", "ribs", &["yoke", "upper_arm", "forearm", "hand"], &arm, DVec3::NEG_Z);
    for (name, from, to) in [
        ("thumb", [0.55, 1.0, 0.045], [0.565, 0.955, 0.095]),
        ("fore", [0.595, 0.945, 0.055], [0.645, 0.885, 0.075]),
        ("hind", [0.60, 0.935, 0.015], [0.65, 0.875, 0.02]),
    ] {
        let middle = std::array::from_fn(|axis| f64::midpoint(from[axis], to[axis]));
        let names = [1, 2].map(|n| format!("{name}_{n}"));
        let names: Vec<&str> = names.iter().map(String::as_str).collect();
        clerk.twins(
            name,
            "digit",
            "hand_l",
            &names,
            &[(from, 0.02), (middle, 0.018), (to, 0.014)],
            DVec3::NEG_Z,
        );
    }
    clerk.foot("leg_l", [0.115, 0.0, 0.08]);
    clerk.foot("leg_r", [-0.115, 0.0, 0.08]);
    clerk.piece("lantern", "hand_r", [-0.60, 0.84, 0.06], [-0.60, 0.68, 0.06], 0.06, BRASS);
    for (number, y, z) in [(1, 1.30, 0.165), (2, 1.20, 0.168), (3, 1.10, 0.165)] {
        let name = format!("button_{number}");
        clerk.piece(
            &name,
            if number < 3 { "ribs" } else { "waist" },
            [0.0, y, z],
            [0.0, y, z + 0.008],
            0.012,
            BRASS,
        );
    }
    clerk.swing("waist", X, 2.0);
    clerk.swing("head", X, 4.0);
    clerk.swing("upper_arm_l", X, 8.0);
    clerk.swing("upper_arm_r", X, -8.0);
    clerk.swing("coat_back_1", X, 5.0);
    clerk
}
