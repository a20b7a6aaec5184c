//! Writing SVG: elements with presentation attributes alone, so that no style sheet, no script and no id can meet those
//! of a page that the figure stands in.

use std::fmt::Write as _;

use super::text::{escaped, width};

/// Ink of lines and letters.
pub(super) const INK: &str = "#1f2a30";
/// Lesser ink.
pub(super) const SOFT: &str = "#5b656a";
/// Hairlines.
pub(super) const LINE: &str = "#b4babc";
/// The body.
pub(super) const BODY: &str = "#e9e7e1";
/// The paper.
pub(super) const PAPER: &str = "#ffffff";
/// Vermillion, yellow and blue of Okabe and Ito, "Color Universal Design" (2002, revised 2008): told apart with every
/// kind of colour vision.
pub(super) const VERMILLION: &str = "#d55e00";
/// See [`VERMILLION`].
pub(super) const YELLOW: &str = "#f0e442";
/// See [`VERMILLION`].
pub(super) const BLUE: &str = "#0072b2";

/// Letters of names and messages.
pub(super) const PLAIN: &str = "Helvetica, Arial, 'Liberation Sans', sans-serif";
/// Letters of titles.
pub(super) const BOOK: &str = "Georgia, 'Times New Roman', 'Liberation Serif', serif";

/// A length on the paper: a tenth of a unit, as short as it can be written.
pub(super) fn n(value: f64) -> String {
    digits(value, 1)
}

/// A length on the paper to a hundredth of a unit.
pub(super) fn fine(value: f64) -> String {
    digits(value, 2)
}

fn digits(value: f64, places: usize) -> String {
    let text = format!("{value:.places$}");
    let text = text.trim_end_matches('0').trim_end_matches('.');
    if text == "-0" { "0".into() } else { text.to_owned() }
}

/// How a text stands.
#[derive(Debug, Clone, Copy)]
pub(super) struct Type {
    pub(super) size: f64,
    pub(super) fill: &'static str,
    /// `start`, `middle` or `end`.
    pub(super) anchor: &'static str,
    pub(super) bold: bool,
}

impl Type {
    pub(super) const fn plain(size: f64) -> Self {
        Self { size, fill: INK, anchor: "start", bold: false }
    }

    pub(super) const fn soft(size: f64) -> Self {
        Self { size, fill: SOFT, anchor: "start", bold: false }
    }

    pub(super) const fn anchored(self, anchor: &'static str) -> Self {
        Self { anchor, ..self }
    }

    pub(super) const fn bold(self) -> Self {
        Self { bold: true, ..self }
    }

    /// Bold letters are wider: Helvetica-Bold's are up to a ninth.
    pub(super) fn width(self, text: &str) -> f64 {
        width(text, self.size) * if self.bold { 1.12 } else { 1.0 }
    }
}

/// The text of a figure as it grows.
#[derive(Debug, Default)]
pub(super) struct Svg(pub(super) String);

impl Svg {
    pub(super) fn raw(&mut self, text: &str) {
        self.0.push_str(text);
    }

    pub(super) fn open(&mut self, attributes: &str) {
        let _ = writeln!(self.0, "<g {attributes}>");
    }

    pub(super) fn close(&mut self) {
        self.0.push_str("</g>\n");
    }

    /// A text whose width holds whatever the font.
    pub(super) fn text(&mut self, x: f64, y: f64, style: Type, text: &str) {
        if text.is_empty() {
            return;
        }
        let anchor = if style.anchor == "start" {
            String::new()
        } else {
            format!(" text-anchor=\"{}\"", style.anchor)
        };
        let fill = if style.fill == INK { String::new() } else { format!(" fill=\"{}\"", style.fill) };
        let bold = if style.bold { " font-weight=\"bold\"" } else { "" };
        let _ = writeln!(
            self.0,
            "<text x=\"{}\" y=\"{}\" font-size=\"{}\"{anchor}{fill}{bold} textLength=\"{}\" \
             lengthAdjust=\"spacingAndGlyphs\">{}</text>",
            n(x),
            n(y),
            n(style.size),
            n(style.width(text)),
            escaped(text)
        );
    }

    /// A title in a book face; nothing stands beside it.
    pub(super) fn heading(&mut self, x: f64, y: f64, size: f64, text: &str) {
        let _ = writeln!(
            self.0,
            "<text x=\"{}\" y=\"{}\" font-size=\"{}\" font-family=\"{BOOK}\">{}</text>",
            n(x),
            n(y),
            n(size),
            escaped(text)
        );
    }

    pub(super) fn path(&mut self, d: &str, attributes: &str) {
        let _ = writeln!(self.0, "<path {attributes} d=\"{d}\"/>");
    }

    pub(super) fn line(&mut self, a: [f64; 2], b: [f64; 2], attributes: &str) {
        let d = format!("M{} {}L{} {}", n(a[0]), n(a[1]), n(b[0]), n(b[1]));
        self.path(&d, attributes);
    }
}
