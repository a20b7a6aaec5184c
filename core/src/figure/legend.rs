//! Below the views: the scale bar, what the signs mean, and the key to the numbers.

use std::fmt::Write as _;

use glam::DVec3;

use super::draw::{MARK, Scene, dot_shape, dot_style, glyph, ground, middle, outward, ring};
use super::layout::MARGIN;
use super::marks::{MOST_PLACES, Mark, Marks};
use super::skeleton::Kind;
use super::svg::{INK, LINE, PAPER, SOFT, Svg, Type, n};
use super::text::{fitted, shown, wrapped};
use crate::report::{Report, Severity};

/// Letters of the legend.
const SMALL: Type = Type::soft(10.5);
/// Height of a line of it.
const LEADING: f64 = 14.0;
/// Room for a sign before its word.
const SIGN: f64 = 22.0;
/// Lines that one message may take.
const MESSAGE: usize = 3;
/// Two columns of the key need this much paper.
const TWO_COLUMNS: f64 = 720.0;

/// A length with its unit, three digits.
pub(super) fn length(metres: f64) -> String {
    if metres == 0.0 {
        return "0 m".into();
    }
    let (value, unit) = match metres.abs() {
        size if size < 1e-6 => return format!("{metres:.1e} m"),
        size if size < 0.1 => (metres * 1e3, "mm"),
        size if size < 1e4 => (metres, "m"),
        size if size < 1e6 => (metres / 1e3, "km"),
        _ => return format!("{metres:.1e} m"),
    };
    let digits = (2 - value.abs().log10().floor() as i32).clamp(0, 3) as usize;
    let text = format!("{value:.digits$}");
    let text = if text.contains('.') { text.trim_end_matches('0').trim_end_matches('.') } else { &text };
    format!("{text} {unit}")
}

/// A round length (1, 2 or 5 times a power of ten) of 50 to 140 units of the paper.
pub(super) fn bar(scale: f64) -> f64 {
    let most = 140.0 / scale;
    let power = 10_f64.powf(most.log10().floor());
    [5.0, 2.0].into_iter().map(|k| k * power).find(|one| *one <= most).unwrap_or(power)
}

/// The scale bar and the signs, from `top` on; gives the height at which they end.
pub(super) fn legend(
    svg: &mut Svg,
    paper: f64,
    top: f64,
    scale: f64,
    scene: &Scene<'_>,
    outline: bool,
) -> f64 {
    svg.line([MARGIN, top], [paper - MARGIN, top], &format!("stroke=\"{LINE}\" stroke-width=\"0.8\""));
    let metres = bar(scale);
    let (wide, y) = (metres * scale, top + 18.0);
    let _ = writeln!(
        svg.0,
        "<g data-part=\"scale\" data-metres=\"{metres}\" stroke=\"{INK}\" stroke-width=\"0.8\">\
         <rect x=\"{0}\" y=\"{1}\" width=\"{2}\" height=\"4\" fill=\"{PAPER}\"/>\
         <rect x=\"{0}\" y=\"{1}\" width=\"{3}\" height=\"4\" fill=\"{INK}\"/></g>",
        n(MARGIN),
        n(y),
        n(wide),
        n(wide / 2.0)
    );
    let stated = length(metres);
    svg.text(MARGIN + wide + 6.0, y + 6.0, SMALL, &stated);
    let left = MARGIN + wide + 6.0 + SMALL.width(&stated) + 26.0;
    let mut flow = Flow { left, right: paper - MARGIN, x: left, y: top + 20.0 };
    let mut signs: Vec<(Sign, &str)> = Vec::new();
    for (severity, word) in
        [(Severity::Error, "error"), (Severity::Warning, "warning"), (Severity::Note, "note")]
    {
        if scene.marks.iter().flat_map(|mark| &mark.lines).any(|line| line.severity == severity) {
            signs.push((Sign::Severity(severity), word));
        }
    }
    for (kind, word) in [
        (Kind::Deforming, "joint that moves skin"),
        (Kind::Carrying, "joint that moves none"),
        (Kind::Control, "control"),
        (Kind::Node, "moving node"),
    ] {
        if scene.dots.iter().any(|dot| dot.kind == kind) {
            signs.push((Sign::Kind(kind), word));
        }
    }
    let any = |test: fn(&super::skeleton::Dot) -> bool| scene.dots.iter().any(test);
    if any(|dot| dot.root) {
        signs.push((Sign::Root, "root"));
    }
    if any(|dot| dot.parent.is_some() && dot.kind == Kind::Deforming) {
        signs.push((Sign::Taper, "parent (wide) to child"));
    }
    if any(|dot| dot.parent.is_some() && dot.kind != Kind::Deforming) {
        signs.push((Sign::Dashes, "to one that moves no skin"));
    }
    if scene.dots.iter().any(|dot| !scene.holds(dot.at)) {
        signs.push((Sign::Beyond, "lies farther out"));
    }
    if outline {
        signs.push((Sign::Body, "body"));
    }
    if ground(scene) {
        signs.push((Sign::Ground, "ground (y = 0)"));
    }
    if middle(scene) {
        signs.push((Sign::Middle, "mid-plane (x = 0)"));
    }
    for (sign, word) in signs {
        flow.item(svg, sign, word);
    }
    (flow.y + 14.0).max(y + 18.0)
}

/// What a word of the legend explains.
#[derive(Debug, Clone, Copy)]
enum Sign {
    Severity(Severity),
    Kind(Kind),
    Root,
    Taper,
    Dashes,
    Beyond,
    Body,
    Ground,
    Middle,
}

/// Items one after the other, in as many lines as they need.
struct Flow {
    left: f64,
    right: f64,
    x: f64,
    y: f64,
}

impl Flow {
    fn item(&mut self, svg: &mut Svg, sign: Sign, word: &str) {
        let wide = SIGN + SMALL.width(word) + 14.0;
        if self.x > self.left && self.x + wide - 14.0 > self.right {
            (self.x, self.y) = (self.left, self.y + LEADING + 3.0);
        }
        let (x, y) = (self.x + 8.0, self.y);
        let from_to = ([x - 7.0, y], [x + 8.0, y]);
        match sign {
            Sign::Severity(severity) => svg.raw(&glyph(severity, x, y, MARK)),
            Sign::Kind(kind) => {
                svg.open(&dot_style(kind));
                svg.raw(&dot_shape(kind, x, y, 2.6));
                svg.close();
            }
            Sign::Root => {
                svg.open(&dot_style(Kind::Deforming));
                svg.raw(&dot_shape(Kind::Deforming, x, y, 2.2));
                svg.raw(&ring(x, y, 2.2));
                svg.close();
            }
            Sign::Taper => svg.path(
                &format!("M{} {}l15 1.4v.7l-15 1.4z", n(x - 7.0), n(y - 1.7)),
                &format!("fill=\"{INK}\""),
            ),
            Sign::Dashes => svg.line(
                from_to.0,
                from_to.1,
                &format!("stroke=\"{INK}\" stroke-width=\"0.8\" stroke-dasharray=\"3 2\""),
            ),
            Sign::Beyond => svg.raw(&outward([x, y], [1.0, 0.0])),
            Sign::Body => svg.raw(&format!(
                "<rect x=\"{}\" y=\"{}\" width=\"15\" height=\"8\" rx=\"3\" fill=\"{}\" stroke=\"{SOFT}\" \
                 stroke-width=\"0.9\"/>",
                n(x - 7.0),
                n(y - 4.0),
                super::svg::BODY
            )),
            Sign::Ground => {
                svg.line(from_to.0, from_to.1, &format!("stroke=\"{SOFT}\" stroke-width=\"0.7\""));
            }
            Sign::Middle => svg.line(
                from_to.0,
                from_to.1,
                &format!("stroke=\"{LINE}\" stroke-width=\"0.8\" stroke-dasharray=\"7 2 2 2\""),
            ),
        }
        svg.text(self.x + SIGN, y + 3.7, SMALL, word);
        self.x += wide;
    }
}

/// One place of the key with its height.
struct Entry<'a> {
    number: usize,
    mark: &'a Mark<'a>,
    /// Of each of its findings.
    messages: Vec<Vec<String>>,
    height: f64,
}

/// The key, from `top` on; gives the height at which it ends.
pub(super) fn key(svg: &mut Svg, paper: f64, top: f64, marks: &Marks<'_>) -> f64 {
    if marks.places.is_empty() {
        return top;
    }
    let columns = if paper >= TWO_COLUMNS { 2 } else { 1 };
    let gap = 28.0;
    let wide = (paper - 2.0 * MARGIN - gap * (f64::from(columns) - 1.0)) / f64::from(columns);
    let entries: Vec<Entry<'_>> = marks
        .places
        .iter()
        .enumerate()
        .map(|(index, mark)| {
            let message = |line: &super::marks::Line<'_>| {
                wrapped(&shown(line.message), TEXT.size, wide - INDENT - 12.0, MESSAGE)
            };
            let messages: Vec<Vec<String>> = mark.lines.iter().map(message).collect();
            let lines: usize = messages.iter().map(|message| message.len() + 1).sum();
            Entry { number: index + 1, mark, messages, height: 17.0 + lines as f64 * LEADING + 7.0 }
        })
        .collect();
    let total: f64 = entries.iter().map(|entry| entry.height).sum();
    svg.line([MARGIN, top], [paper - MARGIN, top], &format!("stroke=\"{LINE}\" stroke-width=\"0.8\""));
    let begin = top + 20.0;
    let (mut x, mut y, mut lowest, mut column) = (MARGIN, begin, begin, 1);
    for entry in &entries {
        if column < columns && y > begin && y - begin + entry.height / 2.0 > total / 2.0 {
            (x, y, column) = (x + wide + gap, begin, column + 1);
        }
        row(svg, x, y, wide, entry);
        y += entry.height;
        lowest = f64::max(lowest, y);
    }
    lowest
}

/// Letters of a message.
const TEXT: Type = Type::plain(10.5);
/// Before a message: the number stands there.
const INDENT: f64 = 36.0;

fn row(svg: &mut Svg, x: f64, y: f64, wide: f64, entry: &Entry<'_>) {
    svg.open(&format!("data-key=\"{}\"", entry.number));
    svg.raw(&glyph(entry.mark.severity(), x + 6.0, y - 4.0, MARK));
    let bold = Type::plain(11.5).bold();
    svg.text(x + INDENT - 6.0, y, bold.anchored("end"), &entry.number.to_string());
    svg.text(x + INDENT, y, bold, &fitted(&entry.mark.name, bold.size * 1.12, wide - INDENT));
    let mut base = y + 2.0;
    for (line, message) in entry.mark.lines.iter().zip(&entry.messages) {
        svg.open(&format!(
            "data-check=\"{}\" data-findings=\"{}\"",
            super::text::escaped(line.check),
            super::text::escaped(&line.fingerprints.join(" "))
        ));
        svg.raw(&glyph(line.severity, x + INDENT + 4.0, base + LEADING - 3.8, 3.4));
        for text in message {
            base += LEADING;
            svg.text(x + INDENT + 12.0, base, TEXT, text);
        }
        base += LEADING;
        let times = line.fingerprints.len();
        let more = if times > 1 { format!(" ×{times}") } else { String::new() };
        svg.text(x + INDENT + 12.0, base - 1.0, Type::soft(9.5), &format!("{}{more}", line.check));
        svg.close();
    }
    svg.close();
}

/// What is not in the drawing, and why; gives the height at which it ends.
pub(super) fn remarks(svg: &mut Svg, paper: f64, top: f64, remarks: &[String]) -> f64 {
    let mut y = top + 6.0;
    for remark in remarks {
        for line in wrapped(remark, SMALL.size, paper - 2.0 * MARGIN, 4) {
            y += LEADING;
            svg.text(MARGIN, y, SMALL, &line);
        }
    }
    y + 4.0
}

/// What a report holds that the drawing does not show.
pub(super) fn unmarked(marks: &Marks<'_>, report: &Report) -> Vec<String> {
    let mut out = Vec::new();
    if marks.more.1 > 0 {
        let (findings, places) = marks.more;
        out.push(format!(
            "And {} at {} more: a figure marks {MOST_PLACES} places, the worst first.",
            counted(findings as u64, "finding"),
            counted(places as u64, "place")
        ));
    }
    if !marks.placeless.is_empty() {
        let list: Vec<String> = marks
            .placeless
            .iter()
            .map(|((severity, check), count)| {
                let times = if *count > 1 { format!(" ×{count}") } else { String::new() };
                format!("{check}{times} ({})", severity.word())
            })
            .collect();
        out.push(format!("Without a place of their own: {}.", list.join(", ")));
    }
    if marks.waived > 0 {
        out.push(format!("Waived and not marked: {}.", counted(marks.waived as u64, "finding")));
    }
    let cut: u64 = report.truncated.values().map(|cut| cut.total - cut.shown.min(cut.total)).sum();
    if cut > 0 {
        out.push(format!("The report counts {} more that it does not list.", counted(cut, "finding")));
    }
    out
}

pub(super) fn counted(count: u64, word: &str) -> String {
    if count == 1 { format!("1 {word}") } else { format!("{count} {word}s") }
}

/// Width, height and depth.
pub(super) fn extents(size: DVec3) -> String {
    let [x, y, z] = size.to_array().map(length);
    format!("{x} wide, {y} tall, {z} deep")
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn lengths_have_three_digits_and_a_unit() {
        for (metres, wanted) in [
            (1.8, "1.8 m"),
            (0.0512, "51.2 mm"),
            (0.2, "0.2 m"),
            (123.4, "123 m"),
            (50_000.0, "50 km"),
            (1e38, "1.0e38 m"),
            (0.0, "0 m"),
        ] {
            assert_eq!(length(metres), wanted);
        }
    }

    #[test]
    fn the_bar_is_round_and_neither_short_nor_long() {
        for exponent in -200..200 {
            let scale = 1.37_f64.powi(exponent);
            let long = bar(scale) * scale;
            assert!((50.0..=140.0001).contains(&long), "{long} at {scale}");
        }
    }
}
