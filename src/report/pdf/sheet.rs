//! The part of CSS that our own pages use: rules by tag and class, custom properties, inheritance.

use roxmltree::Node;

/// Rules of a style sheet as they hold on paper in light colours.
#[derive(Debug, Default)]
pub(super) struct Sheet {
    rules: Vec<Rule>,
}

#[derive(Debug)]
struct Rule {
    tag: Option<String>,
    class: Option<String>,
    declarations: Vec<(String, String)>,
}

impl Sheet {
    /// Reads a style sheet. Of a selector only the last part counts (`svg .line` is any `.line`); rules within `@`
    /// blocks and those with pseudo-classes, `*`, `>`, `#` or `[` are passed over.
    pub fn read(text: &str) -> Sheet {
        let plain = without_at_blocks(text);
        let rules: Vec<(&str, &str)> = plain
            .split('}')
            .filter_map(|rule| rule.split_once('{'))
            .collect();
        let variables: Vec<(String, String)> = rules
            .iter()
            .filter(|(selector, _)| selector.trim() == ":root")
            .flat_map(|(_, body)| declarations(body))
            .filter(|(name, _)| name.starts_with("--"))
            .collect();
        let mut sheet = Sheet::default();
        for (selectors, body) in rules {
            for selector in selectors.split(',') {
                let Some(last) = selector.split_whitespace().last() else {
                    continue;
                };
                if last.contains([':', '*', '>', '#', '[', '+', '~']) {
                    continue;
                }
                let (tag, class) = last.split_once('.').unwrap_or((last, ""));
                let named = |name: &str| (!name.is_empty()).then(|| name.to_owned());
                sheet.rules.push(Rule {
                    tag: named(tag),
                    class: named(class),
                    declarations: declarations(body)
                        .map(|(name, value)| (name, resolved(&value, &variables)))
                        .collect(),
                });
            }
        }
        sheet
    }

    /// A property that an element has itself: its `style`, the last rule by class, the last by tag, its
    /// presentation attribute (CSS 2.2, 6.4; SVG 2, 6.6).
    pub fn own<'a>(&'a self, node: Node<'a, '_>, property: &str) -> Option<&'a str> {
        let classes: Vec<&str> = node
            .attribute("class")
            .unwrap_or("")
            .split_whitespace()
            .collect();
        let written = node.attribute("style").and_then(|style| {
            let mut declared = style.rsplit(';').filter_map(|d| d.split_once(':'));
            declared
                .find(|(name, _)| name.trim() == property)
                .map(|(_, value)| value.trim())
        });
        let by = |with_class: bool| {
            let rules = self.rules.iter().rev();
            rules
                .filter(|rule| rule.class.is_some() == with_class)
                .filter(|rule| {
                    let tag = rule.tag.as_deref();
                    let class = rule.class.as_deref();
                    tag.is_none_or(|t| t == node.tag_name().name())
                        && class.is_none_or(|c| classes.contains(&c))
                })
                .find_map(|rule| {
                    let mut declared = rule.declarations.iter().rev();
                    declared
                        .find(|(name, _)| name == property)
                        .map(|(_, v)| v.as_str())
                })
        };
        written
            .or_else(|| by(true))
            .or_else(|| by(false))
            .or_else(|| node.attribute(property))
    }

    /// A property that is handed down from parents.
    pub fn inherited<'a>(&'a self, node: Node<'a, '_>, property: &str) -> Option<&'a str> {
        let mut around = node.ancestors().filter(Node::is_element);
        around.find_map(|n| self.own(n, property).filter(|v| *v != "inherit"))
    }

    /// A colour handed down; `None` for none.
    pub fn colour(&self, node: Node, property: &str) -> Option<Colour> {
        match self.inherited(node, property)? {
            "none" | "transparent" => None,
            "currentColor" | "currentcolor" => self.colour(node, "color"),
            value => Some(colour(value)),
        }
    }

    /// A number handed down; a unit after it is passed over.
    pub fn number(&self, node: Node, property: &str) -> Option<f64> {
        let value = self.inherited(node, property)?;
        value.trim_end_matches("px").trim().parse().ok()
    }
}

/// Red, green, blue, 0…255 in sRGB.
pub(super) type Colour = [u8; 3];

/// `#rrggbb` or `#rgb`; every other colour is black.
pub(super) fn colour(value: &str) -> Colour {
    let digits = value.trim().strip_prefix('#').unwrap_or("");
    let nibble = |i: usize| {
        let digit = digits.chars().nth(i).and_then(|c| c.to_digit(16));
        digit.unwrap_or(0) as u8
    };
    match digits.len() {
        6 => [0, 2, 4].map(|i| 16 * nibble(i) + nibble(i + 1)),
        3 => [0, 1, 2].map(|i| 17 * nibble(i)),
        _ if value.trim() == "white" => [255; 3],
        _ => [0; 3],
    }
}

fn declarations(body: &str) -> impl Iterator<Item = (String, String)> {
    let declared = body.split(';').filter_map(|d| d.split_once(':'));
    declared.map(|(name, value)| (name.trim().to_owned(), value.trim().to_owned()))
}

/// Puts custom properties in.
fn resolved(value: &str, variables: &[(String, String)]) -> String {
    let Some(name) = value
        .strip_prefix("var(")
        .and_then(|rest| rest.strip_suffix(')'))
    else {
        return value.to_owned();
    };
    let known = variables.iter().find(|(n, _)| n == name.trim());
    known.map_or_else(|| value.to_owned(), |(_, v)| v.clone())
}

/// The rules outside `@media` and `@page`.
fn without_at_blocks(text: &str) -> String {
    let mut kept = String::new();
    let mut rest = text;
    while let Some(at) = rest.find('@') {
        kept.push_str(&rest[..at]);
        let mut depth = 0;
        let end = rest[at..].char_indices().find(|(_, c)| {
            match c {
                '{' => depth += 1,
                '}' => depth -= 1,
                _ => {}
            }
            *c == '}' && depth == 0
        });
        rest = end.map_or("", |(i, _)| &rest[at + i + 1..]);
    }
    kept + rest
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn colours_come_from_the_light_sheet_through_classes_and_parents() {
        let sheet = Sheet::read(
            ":root{--first:#0072b2}@media screen and (x:y){:root{--first:#fff}.b{fill:#abcdef}}\
             svg .s0{color:var(--first);stroke:var(--first)}svg .line{fill:none}.mark{fill:currentColor}",
        );
        let xml = "<svg><g class='s0'><path class='line'/><path class='mark' stroke='#010203'/><a class='b'/></g></svg>";
        let document = roxmltree::Document::parse(xml).unwrap();
        let nodes: Vec<Node> = document
            .descendants()
            .filter(|n| n.has_tag_name("path"))
            .collect();
        assert_eq!(sheet.colour(nodes[0], "fill"), None);
        assert_eq!(sheet.colour(nodes[0], "stroke"), Some([0, 0x72, 0xb2]));
        assert_eq!(sheet.colour(nodes[1], "fill"), Some([0, 0x72, 0xb2]));
        assert_eq!(sheet.colour(nodes[1], "stroke"), Some([1, 2, 3]));
        let last = document.descendants().find(|n| n.has_tag_name("a"));
        assert_eq!(sheet.inherited(last.unwrap(), "fill"), None);
    }
}
