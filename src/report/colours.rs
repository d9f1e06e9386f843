//! Colours of pages and charts, for light and dark screens and for colour-blind eyes.
//!
//! Colour is only an addition: series differ in mark and dash as well.

/// Colours of one scheme, as `#rrggbb`.
#[derive(Debug, Clone, Copy)]
pub struct Palette {
    /// Paper.
    pub paper: &'static str,
    /// Text and axes.
    pub ink: &'static str,
    /// Lesser text and lines.
    pub quiet: &'static str,
    /// What the plan accepts, as an area.
    pub band: &'static str,
    /// Lines: left or first, centre or second, right or third.
    pub series: [&'static str; 3],
}

/// On white, and in print.
pub const LIGHT: Palette = Palette {
    paper: "#ffffff",
    ink: "#1b1b1b",
    quiet: "#595959",
    band: "#dfeaf2",
    series: ["#0072b2", "#1b1b1b", "#b84a00"],
};

/// On a dark screen.
pub const DARK: Palette = Palette {
    paper: "#161616",
    ink: "#ececec",
    quiet: "#b0b0b0",
    band: "#26343f",
    series: ["#56b4e9", "#ececec", "#e69f00"],
};

fn variables(p: &Palette) -> String {
    format!(
        "--paper:{};--ink:{};--quiet:{};--band:{};--first:{};--second:{};--third:{}",
        p.paper, p.ink, p.quiet, p.band, p.series[0], p.series[1], p.series[2]
    )
}

/// The style sheet that pages with charts have in common: light, dark when the reader's screen is, light
/// again on paper.
pub fn style_sheet() -> String {
    format!(
        ":root{{color-scheme:light dark;{light}}}\
         @media screen and (prefers-color-scheme:dark){{:root{{{dark}}}}}\
         body{{font:16px/1.5 system-ui,sans-serif;margin:2rem auto;padding:0 1rem;color:var(--ink);\
         background:var(--paper)}}svg{{display:block;width:100%;height:auto}}svg text{{fill:var(--ink)}}\
         svg .band{{fill:var(--band)}}svg .level{{stroke:var(--quiet);stroke-dasharray:5 4}}\
         svg .s0{{stroke:var(--first);color:var(--first)}}svg .s1{{stroke:var(--second);color:var(--second)}}\
         svg .s2{{stroke:var(--third);color:var(--third)}}svg .line{{fill:none;stroke-width:1.5}}\
         svg .mark{{fill:currentColor;stroke:none}}table{{border-collapse:collapse}}\
         caption{{text-align:left}}td,th{{text-align:left}}\
         .caution{{border-left:4px solid var(--third);padding-left:.8rem}}\
         @media print{{body{{margin:0;max-width:none;font-size:10pt}}}}",
        light = variables(&LIGHT),
        dark = variables(&DARK),
    )
}

#[cfg(test)]
mod tests {
    use super::*;
    use serde_json::Value;

    /// Severity 1.0, in linear RGB, digits as in colorspacious 1.1.2: Machado, Oliveira and Fernandes, IEEE
    /// Transactions on Visualization and
    /// Computer Graphics 15 (2009).
    const MACHADO: [(&str, [[f64; 3]; 3]); 3] = [
        (
            "protanomaly",
            [
                [0.152286, 1.052583, -0.204868],
                [0.114503, 0.786281, 0.099216],
                [-0.003882, -0.048116, 1.051998],
            ],
        ),
        (
            "deuteranomaly",
            [
                [0.367322, 0.860646, -0.227968],
                [0.280085, 0.672501, 0.047413],
                [-0.011820, 0.042940, 0.968881],
            ],
        ),
        (
            "tritanomaly",
            [
                [1.255528, -0.076749, -0.178779],
                [-0.078411, 0.930809, 0.147602],
                [0.004733, 0.691367, 0.303900],
            ],
        ),
    ];

    /// Linear light of `#rrggbb` (IEC 61966-2-1, as WCAG 2.2 gives it).
    fn linear(colour: &str) -> [f64; 3] {
        [1, 3, 5].map(|i| {
            let v = f64::from(u8::from_str_radix(&colour[i..i + 2], 16).unwrap()) / 255.0;
            if v <= 0.04045 {
                v / 12.92
            } else {
                ((v + 0.055) / 1.055).powf(2.4)
            }
        })
    }

    fn gamma(v: f64) -> f64 {
        if v <= 0.0031308 {
            12.92 * v
        } else {
            1.055 * v.powf(1.0 / 2.4) - 0.055
        }
    }

    /// Contrast ratio of WCAG 2.2.
    fn contrast(a: &str, b: &str) -> f64 {
        let luminance = |c| {
            let [r, g, b] = linear(c);
            0.2126 * r + 0.7152 * g + 0.0722 * b
        };
        let (a, b) = (luminance(a), luminance(b));
        (a.max(b) + 0.05) / (a.min(b) + 0.05)
    }

    /// WCAG 2.2: 4.5 for text (1.4.3), 3 for what has to be made out in a chart (1.4.11). That #767676 is the
    /// lightest grey for text on white is common knowledge among web authors, from memory.
    #[test]
    fn text_and_lines_stand_out_from_the_paper_and_from_the_band() {
        assert!(contrast("#767676", "#ffffff") >= 4.5 && contrast("#777777", "#ffffff") < 4.5);
        for p in [LIGHT, DARK] {
            for text in [p.ink, p.quiet].iter().chain(&p.series) {
                assert!(contrast(text, p.paper) >= 4.5, "{text} on {}", p.paper);
                assert!(contrast(text, p.band) >= 3.0, "{text} on {}", p.band);
            }
        }
    }

    /// Against `tests/reference/colour/colour_vision.json` (colorspacious 1.1.2, script beside it): the colours as
    /// dichromats see them are those simulated there, and its distances are 15 times what can just be told apart
    /// (CIELAB 2.3, Mahy and others, Color Research and Application 19, 1994; from memory).
    #[test]
    fn lines_are_told_apart_by_colour_blind_eyes() {
        let text = include_str!("../../tests/reference/colour/colour_vision.json");
        let reference: Value = serde_json::from_str(text).unwrap();
        let seen = reference["seen"].as_array().unwrap();
        assert_eq!(seen.len(), 6);
        for case in seen {
            let palette = if case["palette"] == "light" {
                LIGHT
            } else {
                DARK
            };
            let (_, matrix) = MACHADO.iter().find(|m| case["kind"] == m.0).unwrap();
            for (i, colour) in palette.series.iter().enumerate() {
                assert_eq!(case["colours"][i], *colour, "run the script again");
                let light = linear(colour);
                for (k, row) in matrix.iter().enumerate() {
                    let v: f64 = row.iter().zip(light).map(|(m, l)| m * l).sum();
                    let expected = case["srgb"][i][k].as_f64().unwrap();
                    // The two write the gamma's constants with different digits.
                    let off = gamma(v.clamp(0.0, 1.0)) - expected;
                    assert!(off.abs() < 1e-3, "{colour} {}: {off}", case["kind"]);
                }
            }
            for distance in case["distance"].as_array().unwrap() {
                assert!(distance.as_f64().unwrap() > 15.0 * 2.3, "{case}");
            }
        }
    }
}
