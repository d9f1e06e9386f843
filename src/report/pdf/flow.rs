//! Blocks onto pages: what belongs together stays together, headings of tables come again.

use super::drawing::Mark;

/// A part of the document for those who listen to it (ISO 32000-1, 14.8.4).
#[derive(Debug, Clone, PartialEq, Eq)]
pub(super) struct Element {
    pub role: Role,
    /// What it lies in; `None` in the document itself.
    pub parent: Option<usize>,
    /// What a figure shows, in words.
    pub alternative: Option<String>,
}

/// What an element is.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Role {
    Heading(u8),
    Paragraph,
    List,
    ListItem,
    ListBody,
    Figure,
    Caption,
    Table,
    TableRow,
    /// `true` when it heads a row, else a column.
    TableHeading(bool),
    TableCell,
}

/// A mark and the element it belongs to; `None` for ornament.
#[derive(Debug, Clone)]
pub(super) struct Placed {
    pub mark: Mark,
    pub element: Option<usize>,
}

/// What is never broken over pages. Marks count from its own upper left corner, points.
#[derive(Debug, Clone, Default)]
pub(super) struct Block {
    /// Room above, left out at the head of a page.
    pub above: f64,
    pub height: f64,
    pub marks: Vec<Placed>,
    /// Whether the next block has to be on the same page.
    pub keep_with_next: bool,
    /// The table it is a row of, by the table's number.
    pub row_of: Option<usize>,
}

impl Block {
    /// Moves all its marks.
    pub fn shift(&mut self, dx: f64, dy: f64) {
        for placed in &mut self.marks {
            placed.mark.shift(dx, dy);
        }
    }
}

/// Blocks below each other as one.
pub(super) fn stack(blocks: Vec<Block>) -> Block {
    let mut whole = Block::default();
    for (i, mut block) in blocks.into_iter().enumerate() {
        match i {
            0 => whole.above = block.above,
            _ => whole.height += block.above,
        }
        block.shift(0.0, whole.height);
        whole.height += block.height;
        whole.marks.append(&mut block.marks);
    }
    whole
}

/// Lays blocks onto pages with room for `height`; marks count from the room's upper left corner. `headings[t]` is
/// set again where table `t` goes on.
pub(super) fn pages(blocks: Vec<Block>, headings: &[Block], height: f64) -> Vec<Vec<Placed>> {
    let mut pages: Vec<Vec<Placed>> = vec![Vec::new()];
    let mut used = 0.0;
    let mut kept = 0;
    let mut before: Option<usize> = None;
    for i in 0..blocks.len() {
        if i >= kept {
            // A new group: as far as blocks want to stay together.
            let ties = blocks[i..].iter().take_while(|b| b.keep_with_next).count();
            kept = (i + ties + 1).min(blocks.len());
            let needed: f64 = blocks[i..kept].iter().map(|b| b.above + b.height).sum();
            let empty = used == 0.0;
            if !empty && used + needed > height {
                pages.push(Vec::new());
                used = 0.0;
            }
        } else if used > 0.0 && used + blocks[i].above + blocks[i].height > height {
            // A group higher than a page has to be broken after all.
            pages.push(Vec::new());
            used = 0.0;
        }
        let mut block = blocks[i].clone();
        if let Some(table) = block.row_of
            && used == 0.0
            && before == Some(table)
        {
            let mut heading = headings[table].clone();
            used += heading.height;
            for placed in &mut heading.marks {
                // It was told already.
                placed.element = None;
            }
            pages
                .last_mut()
                .expect("starts with one page")
                .append(&mut heading.marks);
        } else if used > 0.0 {
            used += block.above;
        }
        before = block.row_of;
        block.shift(0.0, used);
        used += block.height;
        pages
            .last_mut()
            .expect("starts with one page")
            .append(&mut block.marks);
    }
    pages
}

#[cfg(test)]
mod tests {
    use super::*;
    use kurbo::Rect;

    fn block(height: f64, keep_with_next: bool, row_of: Option<usize>) -> Block {
        Block {
            above: 10.0,
            height,
            marks: vec![Placed {
                mark: Mark::area(Rect::new(0.0, 0.0, 1.0, height), [0; 3]),
                element: Some(0),
            }],
            keep_with_next,
            row_of,
        }
    }

    fn tops(page: &[Placed]) -> Vec<f64> {
        let top = |p: &Placed| match &p.mark {
            Mark::Shape { path, .. } => kurbo::Shape::bounding_box(path).y0,
            other => panic!("{other:?}"),
        };
        page.iter().map(top).collect()
    }

    #[test]
    fn a_heading_goes_to_the_next_page_with_what_follows() {
        let blocks = vec![
            block(60.0, false, None),
            block(15.0, true, None),
            block(20.0, false, None),
        ];
        let pages = pages(blocks, &[], 100.0);
        let all: Vec<Vec<f64>> = pages.iter().map(|p| tops(p)).collect();
        assert_eq!(all, [vec![0.0], vec![0.0, 25.0]]);
    }

    #[test]
    fn a_table_that_goes_on_has_its_heading_again_as_ornament() {
        let mut rows: Vec<Block> = (0..6).map(|_| block(20.0, false, Some(0))).collect();
        for row in &mut rows {
            row.above = 0.0;
        }
        let pages = pages(rows, &[block(15.0, true, None)], 70.0);
        let all: Vec<Vec<f64>> = pages.iter().map(|p| tops(p)).collect();
        assert_eq!(
            all,
            [
                vec![0.0, 20.0, 40.0],
                vec![0.0, 15.0, 35.0],
                vec![0.0, 15.0]
            ]
        );
        assert_eq!(pages[1][0].element, None);
    }

    #[test]
    fn a_chain_higher_than_a_page_ends_all_the_same() {
        let blocks = vec![block(60.0, true, None); 5];
        assert_eq!(pages(blocks, &[], 100.0).len(), 5);
    }
}
