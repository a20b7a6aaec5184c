//! Words for left and right, in pairs, in the languages that riggers name joints in.
//!
//! The words are dictionary words and their usual short forms, from memory. A word that means something else as well
//! (an article, a short form of another word) is not *sure*: it counts only where a rig's own names pair it up.

/// A word for the left, one for the right, and whether each can be trusted alone.
pub(super) struct Pair {
    pub(super) left: &'static str,
    pub(super) left_sure: bool,
    pub(super) right: &'static str,
    pub(super) right_sure: bool,
}

const fn sure(left: &'static str, right: &'static str) -> Pair {
    Pair { left, left_sure: true, right, right_sure: true }
}

const fn left_sure(left: &'static str, right: &'static str) -> Pair {
    Pair { left, left_sure: true, right, right_sure: false }
}

const fn unsure(left: &'static str, right: &'static str) -> Pair {
    Pair { left, left_sure: false, right, right_sure: false }
}

/// The pair that is one letter and trusted alone.
pub(super) const LETTERS: usize = 0;

/// All pairs; where a word stands in several, the first one serves unless the rig's names say otherwise.
pub(super) const PAIRS: &[Pair] = &[
    sure("l", "r"),
    // English.
    sure("left", "right"),
    sure("lft", "rgt"),
    unsure("lft", "rht"),
    sure("lt", "rt"),
    unsure("lf", "rt"),
    // German, Dutch.
    sure("links", "rechts"),
    sure("linke", "rechte"),
    sure("linker", "rechter"),
    sure("linkes", "rechtes"),
    unsure("li", "re"),
    // French.
    sure("gauche", "droite"),
    sure("gauche", "droit"),
    unsure("g", "d"),
    // Spanish.
    sure("izquierda", "derecha"),
    sure("izquierdo", "derecho"),
    left_sure("izq", "der"),
    unsure("i", "d"),
    // Italian.
    sure("sinistra", "destra"),
    sure("sinistro", "destro"),
    sure("sx", "dx"),
    unsure("s", "d"),
    // Portuguese.
    sure("esquerda", "direita"),
    sure("esquerdo", "direito"),
    left_sure("esq", "dir"),
    unsure("e", "d"),
    // Romanian.
    sure("stanga", "dreapta"),
    // Swedish, Norwegian, Danish, Finnish.
    sure("vänster", "höger"),
    sure("vanster", "hoger"),
    sure("venstre", "høyre"),
    sure("venstre", "højre"),
    sure("venstre", "hoyre"),
    sure("venstre", "hojre"),
    sure("vasen", "oikea"),
    unsure("v", "h"),
    // Polish, Czech, Slovak, Serbian, Croatian.
    sure("lewa", "prawa"),
    sure("lewy", "prawy"),
    sure("lewe", "prawe"),
    sure("leva", "prava"),
    sure("levy", "pravy"),
    sure("levo", "pravo"),
    sure("levi", "pravi"),
    unsure("l", "p"),
    // Russian, Ukrainian; romanised as well.
    sure("левая", "правая"),
    sure("левый", "правый"),
    sure("левое", "правое"),
    sure("лево", "право"),
    sure("лев", "прав"),
    sure("ліва", "права"),
    sure("лівий", "правий"),
    unsure("л", "п"),
    sure("levaya", "pravaya"),
    sure("leviy", "praviy"),
    sure("levyy", "pravyy"),
    sure("levoe", "pravoe"),
    unsure("lev", "prav"),
    unsure("lev", "pr"),
    // Hungarian, Turkish, Greek, Indonesian, Vietnamese.
    unsure("bal", "jobb"),
    unsure("sol", "sag"),
    unsure("sol", "sağ"),
    sure("αριστερά", "δεξιά"),
    sure("αριστερό", "δεξί"),
    sure("kiri", "kanan"),
    unsure("trai", "phai"),
    // Japanese, Chinese, Korean; romanised as well.
    sure("左", "右"),
    sure("ひだり", "みぎ"),
    sure("ヒダリ", "ミギ"),
    sure("hidari", "migi"),
    unsure("zuo", "you"),
    sure("왼", "오른"),
    unsure("좌", "우"),
    // Arabic, Hebrew.
    sure("يسار", "يمين"),
    sure("שמאל", "ימין"),
];

/// Words of scripts that put no space between words: looked for anywhere in a name.
pub(super) const ANYWHERE: &[&str] =
    &["左", "右", "ひだり", "みぎ", "ヒダリ", "ミギ", "왼", "오른", "좌", "우"];

/// Words for the middle.
pub(super) const CENTRE: &[&str] = &["c", "m", "mid", "middle", "centre", "center", "ctr", "中"];

/// English words that end or begin like a side and say none.
pub(super) const NO_SIDE: &[&str] = &[
    "upright",
    "bright",
    "fright",
    "wright",
    "outright",
    "forthright",
    "cleft",
    "rightful",
    "leftover",
    "leftovers",
];
