//! How numbers read in messages: units always, digits only as many as help.

/// An angle, for example `23.4°`.
pub(crate) fn deg(value: f64) -> String {
    if value.abs() >= 0.1 || value == 0.0 { format!("{value:.1}°") } else { format!("{value:.3}°") }
}

/// A length in metres told in millimetres and as a share of S: `12.3 mm (0.61 % of S)`.
pub(crate) fn length(metres: f64, s: f64) -> String {
    format!("{} mm ({} % of S)", short(metres * 1e3), short(metres / s * 100.0))
}

/// A limit that is a fraction of S: `0.5 % of S`.
pub(crate) fn share_of_s(limit: f64) -> String {
    format!("{} % of S", short(limit * 100.0))
}

/// Three significant digits.
pub(crate) fn short(value: f64) -> String {
    if value == 0.0 || !value.is_finite() {
        return format!("{value}");
    }
    let digits = (2 - value.abs().log10().floor() as i32).clamp(0, 9) as usize;
    let text = format!("{value:.digits$}");
    if text.contains('.') { text.trim_end_matches('0').trim_end_matches('.').to_owned() } else { text }
}

/// `1 vertex`, `2 vertices`.
pub(crate) fn count(n: u64, one: &str, many: &str) -> String {
    if n == 1 { format!("1 {one}") } else { format!("{n} {many}") }
}

/// A list of names, cut after four.
pub(crate) fn list<'a>(names: impl ExactSizeIterator<Item = &'a str>) -> String {
    let total = names.len();
    let shown: Vec<&str> = names.take(4).collect();
    let more = if total > shown.len() { format!(" and {} more", total - shown.len()) } else { String::new() };
    format!("{}{more}", shown.join(", "))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn numbers_keep_three_digits_and_no_trailing_zeros() {
        assert_eq!(short(0.012_345), "0.0123");
        assert_eq!(short(1234.5), "1234");
        assert_eq!(short(5.0), "5");
        assert_eq!(deg(23.44), "23.4°");
    }
}
