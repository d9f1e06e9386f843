//! Words into lines: text whose face and colour change on the way, wrapped to a width.

use super::drawing::Mark;
use super::face::{Face, width};
use super::sheet::{Colour, Sheet};
use kurbo::Point;
use roxmltree::Node;

/// A stretch of text in one look.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Run {
    pub text: String,
    pub face: Face,
    pub colour: Colour,
}

/// How text is set, points.
#[derive(Debug, Clone, Copy)]
pub(super) struct Setting {
    /// Size of the type.
    pub size: f64,
    /// From one baseline to the next.
    pub leading: f64,
}

/// The text inside an element; `bold` when all of it is set bold.
pub(super) fn runs(node: Node, sheet: &Sheet, bold: bool) -> Vec<Run> {
    let mut found = Vec::new();
    gather(node, sheet, bold, &mut found);
    found
}

fn gather(node: Node, sheet: &Sheet, bold: bool, found: &mut Vec<Run>) {
    for child in node.children() {
        if child.is_element() {
            match child.tag_name().name() {
                "br" => found.push(Run {
                    text: " ".to_owned(),
                    face: Face::Regular,
                    colour: [0; 3],
                }),
                "img" | "svg" => {}
                name => gather(child, sheet, bold || matches!(name, "strong" | "b"), found),
            }
        } else if let Some(text) = child.text() {
            found.push(Run {
                // A line neither ends on ± nor begins with %.
                text: text.replace("± ", "±\u{a0}").replace(" %", "\u{a0}%"),
                face: if bold { Face::Bold } else { Face::Regular },
                colour: sheet.colour(node, "color").unwrap_or([0; 3]),
            });
        }
    }
}

/// A word: pieces that stay together.
type Word = Vec<Run>;

fn is_gap(c: char) -> bool {
    matches!(c, ' ' | '\n' | '\t' | '\r')
}

/// Splits runs at breaking spaces.
fn words(runs: &[Run]) -> Vec<Word> {
    let mut words: Vec<Word> = Vec::new();
    let mut open = false;
    for run in runs {
        let mut rest = run.text.as_str();
        while !rest.is_empty() {
            let end = rest.find(is_gap).unwrap_or(rest.len());
            if end > 0 {
                let piece = Run {
                    text: rest[..end].to_owned(),
                    ..run.clone()
                };
                match words.last_mut() {
                    Some(word) if open => word.push(piece),
                    _ => words.push(vec![piece]),
                }
                open = true;
            }
            let after = &rest[end..];
            rest = after.trim_start_matches(is_gap);
            open = open && after.len() == rest.len();
        }
    }
    words
}

fn run_width(run: &Run, size: f64) -> f64 {
    width(&run.text, run.face, size)
}

fn word_width(word: &Word, size: f64) -> f64 {
    word.iter().map(|r| run_width(r, size)).sum()
}

/// Width of everything on one line, and of its longest word.
pub(super) fn natural_widths(runs: &[Run], size: f64) -> (f64, f64) {
    let words = words(runs);
    let whole: f64 = line_width(&words, size);
    let longest = words.iter().map(|w| word_width(w, size));
    (whole, longest.fold(0.0, f64::max))
}

/// The blank before a word is as wide as the face of what stands before it makes it.
fn blank(before: &Word, size: f64) -> f64 {
    let face = before.last().map_or(Face::Regular, |r| r.face);
    width(" ", face, size)
}

fn line_width(words: &[Word], size: f64) -> f64 {
    let blanks = words.iter().rev().skip(1).map(|w| blank(w, size));
    let blanks: f64 = blanks.sum();
    blanks + words.iter().map(|w| word_width(w, size)).sum::<f64>()
}

/// Breaks a word that is wider than a line between letters.
fn broken(word: Word, size: f64, wide: f64) -> Vec<Word> {
    if word_width(&word, size) <= wide {
        return vec![word];
    }
    let mut parts: Vec<Word> = vec![Vec::new()];
    let mut used = 0.0;
    for run in word {
        for letter in run.text.chars() {
            let advance = width(letter.encode_utf8(&mut [0; 4]), run.face, size);
            if used + advance > wide && used > 0.0 {
                parts.push(Vec::new());
                used = 0.0;
            }
            used += advance;
            let part = parts.last_mut().expect("starts with one part");
            match part.last_mut() {
                Some(last) if last.face == run.face && last.colour == run.colour => {
                    last.text.push(letter);
                }
                _ => part.push(Run {
                    text: letter.to_string(),
                    ..run.clone()
                }),
            }
        }
    }
    parts
}

/// Lines no wider than `wide`, each as runs. A line that was broken at a blank keeps it at its end, beyond the width,
/// for those who copy or listen to the text.
pub(super) fn lines(runs: &[Run], size: f64, wide: f64) -> Vec<Vec<Run>> {
    let mut lines: Vec<Vec<Run>> = Vec::new();
    let mut line: Vec<Word> = Vec::new();
    let mut used = 0.0;
    for word in words(runs) {
        for (k, part) in broken(word, size, wide).into_iter().enumerate() {
            let own = word_width(&part, size);
            let before = line.last().map_or(0.0, |w| blank(w, size));
            if !line.is_empty() && used + before + own > wide + 1e-6 {
                let mut done = joined(std::mem::take(&mut line));
                if let Some(last) = done.last_mut().filter(|_| k == 0) {
                    last.text.push(' ');
                }
                lines.push(done);
                used = own;
            } else {
                used += before + own;
            }
            line.push(part);
        }
    }
    if !line.is_empty() {
        lines.push(joined(line));
    }
    lines
}

/// Words of a line as as few runs as can be.
fn joined(words: Vec<Word>) -> Vec<Run> {
    let mut line: Vec<Run> = Vec::new();
    for (i, word) in words.into_iter().enumerate() {
        for (k, piece) in word.into_iter().enumerate() {
            if let Some(last) = line.last_mut().filter(|_| i > 0 && k == 0) {
                last.text.push(' ');
            }
            match line.last_mut() {
                Some(last) if last.face == piece.face && last.colour == piece.colour => {
                    last.text.push_str(&piece.text);
                }
                _ => line.push(piece),
            }
        }
    }
    line
}

/// Marks of lines whose box begins at (x, y).
pub(super) fn set_lines(lines: &[Vec<Run>], setting: Setting, x: f64, y: f64) -> Vec<Mark> {
    let Setting { size, leading } = setting;
    let mut marks = Vec::new();
    for (i, line) in lines.iter().enumerate() {
        // Ascenders reach 0.76 of the size above the baseline, descenders 0.24 below: in the middle of the leading.
        let baseline = y + leading * i as f64 + (leading - size) / 2.0 + 0.76 * size;
        let mut pen = x;
        for run in line {
            marks.push(Mark::Text {
                at: Point::new(pen, baseline),
                turn: 0.0,
                size,
                face: run.face,
                colour: run.colour,
                text: run.text.clone(),
            });
            pen += run_width(run, size);
        }
    }
    marks
}

#[cfg(test)]
mod tests {
    use super::*;

    fn run(text: &str, face: Face) -> Run {
        Run {
            text: text.to_owned(),
            face,
            colour: [0; 3],
        }
    }

    fn texts(lines: &[Vec<Run>]) -> Vec<String> {
        let text = |line: &Vec<Run>| line.iter().map(|r| r.text.as_str()).collect();
        lines.iter().map(text).collect()
    }

    #[test]
    fn lines_fit_and_no_letter_is_lost() {
        let text = "Rows lie 3 times as far apart as they should, and averyveryverylongfilename.jpg tells so";
        let runs = [run(text, Face::Regular)];
        for wide in [30.0, 60.0, 100.0, 1000.0] {
            let lines = lines(&runs, 10.0, wide);
            for line in &lines {
                let sum = natural_widths(line, 10.0).0;
                assert!(sum <= wide + 1e-6, "{line:?}");
            }
            let letters: String = texts(&lines).concat().replace(' ', "");
            assert_eq!(letters, text.replace(' ', ""));
        }
    }

    #[test]
    fn a_change_of_face_inside_a_word_does_not_break_it() {
        let runs = [
            run("drawn ", Face::Regular),
            run("5 times", Face::Bold),
            run(", as", Face::Regular),
        ];
        let whole = lines(&runs, 10.0, 500.0);
        assert_eq!(texts(&whole), ["drawn 5 times, as"]);
        assert_eq!(whole[0].len(), 3);
        let kept = lines(&[run("5 ±\u{a0}1 and", Face::Regular)], 10.0, 1.0);
        assert_eq!(texts(&kept).concat().replace(' ', ""), "5±\u{a0}1and");
        let (_, longest) = natural_widths(&[run("5 ±\u{a0}1 a", Face::Regular)], 10.0);
        assert!((longest - width("±\u{a0}1", Face::Regular, 10.0)).abs() < 1e-9);
    }
}
