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
