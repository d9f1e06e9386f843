//! Tables and wrapped text for a terminal of limited width.

use comfy_table::{Cell, CellAlignment, ContentArrangement, Row, Table, presets};

/// A table without lines: a heading row, the first column flush left, the others flush right.
pub(crate) fn plain(heading: &[&str], rows: &[Vec<String>]) -> String {
    let cells = |texts: &mut dyn Iterator<Item = &str>| -> Row {
        texts
            .enumerate()
            .map(|(column, text)| {
                let alignment = if column == 0 {
                    CellAlignment::Left
                } else {
                    CellAlignment::Right
                };
                Cell::new(text).set_alignment(alignment)
            })
            .collect::<Vec<_>>()
            .into()
    };
    let mut table = Table::new();
    table.load_style(presets::NOTHING);
    table.set_content_arrangement(ContentArrangement::Disabled);
    table.set_header(cells(&mut heading.iter().copied()));
    for row in rows {
        table.add_row(cells(&mut row.iter().map(String::as_str)));
    }
    indent(&table.trim_fmt(), " ")
}

/// Text without control characters, which names and notes may hold and which make a terminal do what they say: each is a
/// question mark. Ends of lines and tabs stay, and `codes`, which are ours.
pub(crate) fn without_controls(text: &str, codes: &[&str]) -> String {
    let is_control = |c: char| c.is_control() && !matches!(c, '\n' | '\t');
    let mut shown = String::with_capacity(text.len());
    let mut rest = text;
    while let Some(at) = rest.find(is_control) {
        shown += &rest[..at];
        rest = &rest[at..];
        let code = codes.iter().find(|code| rest.starts_with(**code));
        shown += code.unwrap_or(&"?");
        let long = code.map_or_else(
            || rest.chars().next().map_or(0, char::len_utf8),
            |c| c.len(),
        );
        rest = &rest[long..];
    }
    shown + rest
}

/// Text broken at blanks so that no line is wider than `width`; the first line starts with `first`,
/// the others with as many blanks. A number keeps its unit and its ± beside it.
pub(crate) fn wrap(text: &str, first: &str, width: usize) -> String {
    let hang = " ".repeat(first.chars().count());
    let mut lines = vec![first.to_owned()];
    let mut fresh = true;
    for word in unbroken(text) {
        let last = lines.last_mut().expect("starts with one line");
        let blank = usize::from(!fresh);
        if !fresh && last.chars().count() + blank + word.chars().count() > width {
            lines.push(format!("{hang}{word}"));
        } else {
            if !fresh {
                last.push(' ');
            }
            last.push_str(&word);
        }
        fresh = false;
    }
    lines.join("\n") + "\n"
}

/// Words, those joined that a line break would tear apart.
fn unbroken(text: &str) -> Vec<String> {
    let is_unit = |word: &str| {
        matches!(
            word.trim_end_matches(|c: char| c.is_ascii_punctuation() && c != '%'),
            "in" | "mm" | "%"
        )
    };
    let mut words: Vec<String> = Vec::new();
    for word in text.split_whitespace() {
        match words.last_mut() {
            Some(last) if is_unit(word) || last.ends_with('±') => {
                last.push(' ');
                last.push_str(word);
            }
            _ => words.push(word.to_owned()),
        }
    }
    words
}

fn indent(text: &str, by: &str) -> String {
    text.lines()
        .map(|line| format!("{by}{}\n", line.trim_end()))
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn text_is_wrapped_with_a_hanging_indent() {
        let wrapped = wrap("one two three four", "- ", 11);
        assert_eq!(wrapped, "- one two\n  three\n  four\n");
        let wrapped = wrap("at left ± 1/8 in.", "", 14);
        assert_eq!(wrapped, "at left\n± 1/8 in.\n");
    }

    #[test]
    fn a_terminal_is_given_no_codes_but_ours() {
        let ours = ["\u{1b}[0m"];
        let shown = |text| without_controls(text, &ours);
        assert_eq!(shown("ä\u{1b}[2Jb\u{7}\u{9b}1m\u{7f}"), "ä?[2Jb??1m?");
        assert_eq!(
            shown("\u{1b}[0mrow\t1\r\n\u{1b}[0"),
            "\u{1b}[0mrow\t1?\n?[0"
        );
        assert_eq!(shown(""), "");
    }
}
