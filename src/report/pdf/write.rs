//! A laid-out document as a PDF 1.7 file (ISO 32000-1) with real text, embedded fonts and a structure for screen
//! readers. No date and no random id, so that its bytes are reproducible.

use super::content::Photo;
use super::drawing::{Mark, Stroke};
use super::face::{FACES, Face, Set, set};
use super::flow::{Element, Placed, Role};
use super::sheet::Colour;
use kurbo::PathEl;
use miniz_oxide::deflate::compress_to_vec_zlib;
use pdf_writer::types::{
    ArtifactType, CidFontType, FontFlags, StructRole, SystemInfo, TableHeaderScope, UnicodeCmap,
};
use pdf_writer::writers::StructTreeRoot;
use pdf_writer::{Content, Filter, Finish, Name, Pdf, Rect, Ref, Str, TextStr};
use std::collections::{BTreeMap, BTreeSet};

/// A laid-out document; marks in points from the upper left corner of their page.
pub(super) struct Document<'a> {
    pub title: &'a str,
    /// BCP 47.
    pub language: &'a str,
    /// Width and height of every page, points.
    pub page_size: (f64, f64),
    pub pages: Vec<Vec<Placed>>,
    pub elements: &'a [Element],
    pub photos: &'a [Photo],
}

/// zlib's own default, a fair bargain.
const COMPRESSION: u8 = 6;

const ADOBE_IDENTITY: SystemInfo<'static> = SystemInfo {
    registry: Str(b"Adobe"),
    ordering: Str(b"Identity"),
    supplement: 0,
};

/// Marked content of one page, in order: the element each stretch belongs to.
type Stretches = Vec<usize>;

struct Ids {
    catalog: Ref,
    info: Ref,
    tree: Ref,
    structure: Ref,
    document: Ref,
    faces: [[Ref; 5]; 2],
    pages: Vec<[Ref; 3]>,
    photos: Vec<Ref>,
    elements: Vec<Ref>,
    opacities: BTreeMap<u8, Ref>,
    outline: Ref,
    bookmarks: Vec<Ref>,
}

/// A heading where a reader may jump to.
struct Bookmark {
    element: usize,
    words: String,
    page: usize,
    /// From the page's upper edge, points.
    top: f64,
}

/// Writes the file.
pub(super) fn write(document: &Document) -> Vec<u8> {
    let mut numbers = (1..).map(Ref::new);
    let mut next = || numbers.next().expect("more objects than PDF can number");
    let (glyphs, opacities) = used(document);
    let bookmarks = bookmarks(document);
    let ids = Ids {
        catalog: next(),
        info: next(),
        tree: next(),
        structure: next(),
        document: next(),
        faces: FACES.map(|_| [(); 5].map(|()| next())),
        pages: document
            .pages
            .iter()
            .map(|_| [(); 3].map(|()| next()))
            .collect(),
        photos: document.photos.iter().map(|_| next()).collect(),
        elements: document.elements.iter().map(|_| next()).collect(),
        opacities: opacities.into_iter().map(|o| (o, next())).collect(),
        outline: next(),
        bookmarks: bookmarks.iter().map(|_| next()).collect(),
    };
    let mut pdf = Pdf::new();
    catalog(&mut pdf, document, &ids);
    for face in FACES {
        font(&mut pdf, face, ids.faces[face as usize], &glyphs);
    }
    for (photo, id) in document.photos.iter().zip(&ids.photos) {
        let mut image = pdf.image_xobject(*id, &photo.jpeg);
        image.filter(Filter::DctDecode);
        image.bits_per_component(8);
        image
            .width(whole(photo.width_px as usize))
            .height(whole(photo.height_px as usize));
        match photo.grey {
            true => image.color_space().device_gray(),
            false => image.color_space().device_rgb(),
        }
    }
    for (percent, id) in &ids.opacities {
        let alpha = f32::from(*percent) / 100.0;
        pdf.ext_graphics(*id)
            .non_stroking_alpha(alpha)
            .stroking_alpha(alpha);
    }
    let stretches: Vec<Stretches> = (0..document.pages.len())
        .map(|number| page(&mut pdf, document, &ids, number))
        .collect();
    structure(&mut pdf, document, &ids, &stretches);
    outline(&mut pdf, document, &ids, &bookmarks);
    pdf.finish()
}

/// The headings of the first two levels in their order, but for the document's own title.
fn bookmarks(document: &Document) -> Vec<Bookmark> {
    let mut found: Vec<Bookmark> = Vec::new();
    for (page, marks) in document.pages.iter().enumerate() {
        for placed in marks {
            let (Some(element), Mark::Text { text, at, size, .. }) = (placed.element, &placed.mark)
            else {
                continue;
            };
            if !matches!(document.elements[element].role, Role::Heading(1 | 2)) || element == 0 {
                continue;
            }
            match found.last_mut().filter(|b| b.element == element) {
                Some(bookmark) => bookmark.words.push_str(text),
                None => found.push(Bookmark {
                    element,
                    words: text.clone(),
                    page,
                    top: at.y - 2.0 * size,
                }),
            }
        }
    }
    found
}

fn outline(pdf: &mut Pdf, document: &Document, ids: &Ids, bookmarks: &[Bookmark]) {
    let mut outline = pdf.outline(ids.outline);
    if let (Some(first), Some(last)) = (ids.bookmarks.first(), ids.bookmarks.last()) {
        outline
            .first(*first)
            .last(*last)
            .count(whole(bookmarks.len()));
    }
    outline.finish();
    for (i, bookmark) in bookmarks.iter().enumerate() {
        let mut item = pdf.outline_item(ids.bookmarks[i]);
        item.title(TextStr(&bookmark.words)).parent(ids.outline);
        if i > 0 {
            item.prev(ids.bookmarks[i - 1]);
        }
        if let Some(next) = ids.bookmarks.get(i + 1) {
            item.next(*next);
        }
        let up = document.page_size.1 - bookmark.top;
        item.dest()
            .page(ids.pages[bookmark.page][0])
            .xyz(0.0, up as f32, None);
    }
}

fn whole(number: usize) -> i32 {
    i32::try_from(number).expect("more than PDF can count")
}

/// Opacity in percent.
fn percent(opacity: f64) -> u8 {
    (opacity.clamp(0.0, 1.0) * 100.0).round() as u8
}

/// The glyphs and the opacities that a document needs.
fn used(document: &Document) -> (BTreeMap<(Face, u16), char>, BTreeSet<u8>) {
    let (mut glyphs, mut opacities) = (BTreeMap::new(), BTreeSet::new());
    for placed in document.pages.iter().flatten() {
        match &placed.mark {
            Mark::Text { text, face, .. } => {
                for Set {
                    face,
                    glyph,
                    character,
                } in text.chars().map(|c| set(c, *face))
                {
                    glyphs.insert((face, glyph), character);
                }
            }
            Mark::Shape { opacity, .. } if percent(*opacity) < 100 => {
                opacities.insert(percent(*opacity));
            }
            _ => {}
        }
    }
    (glyphs, opacities)
}

fn catalog(pdf: &mut Pdf, document: &Document, ids: &Ids) {
    let mut catalog = pdf.catalog(ids.catalog);
    catalog
        .pages(ids.tree)
        .outlines(ids.outline)
        .lang(TextStr(document.language));
    catalog.mark_info().marked(true);
    catalog.viewer_preferences().display_doc_title(true);
    // Elements refer to it, so it has a number of its own.
    catalog.pair(Name(b"StructTreeRoot"), ids.structure);
    catalog.finish();
    let mut root = pdf.indirect(ids.structure).start::<StructTreeRoot>();
    root.child(ids.document);
    let mut parents = root.parent_tree();
    let mut numbers = parents.nums();
    for (i, page) in ids.pages.iter().enumerate() {
        numbers.insert(whole(i), page[2]);
    }
    numbers.finish();
    parents.finish();
    root.parent_tree_next_key(whole(ids.pages.len()));
    root.finish();
    pdf.document_info(ids.info)
        .title(TextStr(document.title))
        .creator(TextStr("rowsight"));
    pdf.pages(ids.tree)
        .kids(ids.pages.iter().map(|page| page[0]))
        .count(whole(ids.pages.len()));
}

/// A composite font whose codes are the glyph numbers of its file.
fn font(pdf: &mut Pdf, face: Face, ids: [Ref; 5], glyphs: &BTreeMap<(Face, u16), char>) {
    let [font, descendant, descriptor, file, to_unicode] = ids;
    let glyphs = || {
        glyphs
            .iter()
            .filter(|((f, _), _)| *f == face)
            .map(|((_, g), c)| (*g, *c))
    };
    let name = Name(face.name());
    pdf.type0_font(font)
        .base_font(name)
        .encoding_predefined(Name(b"Identity-H"))
        .descendant_font(descendant)
        .to_unicode(to_unicode);
    let mut cid = pdf.cid_font(descendant);
    cid.subtype(CidFontType::Type2)
        .base_font(name)
        .system_info(ADOBE_IDENTITY)
        .font_descriptor(descriptor)
        .default_width(600.0)
        .cid_to_gid_map_predefined(Name(b"Identity"));
    let mut widths = cid.widths();
    for (glyph, _) in glyphs() {
        widths.consecutive(glyph, [face.advance(glyph)]);
    }
    widths.finish();
    cid.finish();
    // DejaVu Sans 2.37 in thousandths: tables head and hhea, the height of H, the width of l.
    let stem = if face == Face::Bold { 175.0 } else { 90.0 };
    pdf.font_descriptor(descriptor)
        .name(name)
        .flags(FontFlags::SYMBOLIC)
        .bbox(Rect::new(-1021.0, -463.0, 1793.0, 1232.0))
        .italic_angle(0.0)
        .ascent(928.0)
        .descent(-236.0)
        .cap_height(729.0)
        .stem_v(stem)
        .font_file2(file);
    let packed = compress_to_vec_zlib(face.file(), COMPRESSION);
    pdf.stream(file, &packed)
        .filter(Filter::FlateDecode)
        .pair(Name(b"Length1"), whole(face.file().len()));
    let mut map = UnicodeCmap::new(Name(b"Custom"), ADOBE_IDENTITY);
    for (glyph, character) in glyphs() {
        map.pair(glyph, character);
    }
    let packed = compress_to_vec_zlib(map.finish().as_slice(), COMPRESSION);
    pdf.cmap(to_unicode, &packed).filter(Filter::FlateDecode);
}

const FONT_NAMES: [Name<'static>; 2] = [Name(b"R"), Name(b"B")];

fn photo_name(number: usize) -> String {
    format!("P{number}")
}

fn opacity_name(percent: u8) -> String {
    format!("O{percent}")
}

/// Writes a page; tells to which element its stretches of marks belong.
fn page(pdf: &mut Pdf, document: &Document, ids: &Ids, number: usize) -> Stretches {
    let [id, contents, _] = ids.pages[number];
    let (width, height) = document.page_size;
    let mut page = pdf.page(id);
    page.parent(ids.tree)
        .media_box(Rect::new(0.0, 0.0, width as f32, height as f32))
        .contents(contents)
        .struct_parents(whole(number));
    let mut resources = page.resources();
    let mut fonts = resources.fonts();
    for face in FACES {
        fonts.pair(FONT_NAMES[face as usize], ids.faces[face as usize][0]);
    }
    fonts.finish();
    let mut photos = resources.x_objects();
    for placed in &document.pages[number] {
        if let Mark::Photo { number, .. } = placed.mark {
            photos.pair(Name(photo_name(number).as_bytes()), ids.photos[number]);
        }
    }
    photos.finish();
    let mut opacities = resources.ext_g_states();
    for (percent, id) in &ids.opacities {
        opacities.pair(Name(opacity_name(*percent).as_bytes()), id);
    }
    opacities.finish();
    resources.finish();
    page.finish();

    let mut content = Content::new();
    content.transform([1.0, 0.0, 0.0, -1.0, 0.0, height as f32]);
    let mut stretches = Stretches::new();
    for together in document.pages[number].chunk_by(|a, b| a.element == b.element) {
        match together[0].element {
            Some(element) => {
                let tag = role(document.elements[element].role).to_name();
                let mut marked = content.begin_marked_content_with_properties(tag);
                marked.properties().identify(whole(stretches.len()));
                stretches.push(element);
            }
            None => {
                let mut marked = content.begin_marked_content_with_properties(Name(b"Artifact"));
                marked.properties().artifact().kind(ArtifactType::Layout);
            }
        }
        for placed in together {
            draw(&mut content, &placed.mark);
        }
        content.end_marked_content();
    }
    let packed = compress_to_vec_zlib(content.finish().as_slice(), COMPRESSION);
    pdf.stream(contents, &packed).filter(Filter::FlateDecode);
    stretches
}

fn rgb(colour: Colour) -> [f32; 3] {
    colour.map(|c| f32::from(c) / 255.0)
}

fn draw(content: &mut Content, mark: &Mark) {
    match mark {
        Mark::Text {
            at,
            turn,
            size,
            face,
            colour,
            text,
        } => {
            let [r, g, b] = rgb(*colour);
            let (sin, cos) = turn.sin_cos();
            let (sin, cos) = (sin as f32, cos as f32);
            content.set_fill_rgb(r, g, b).begin_text();
            // Letters stand upright only when y is turned back.
            content.set_text_matrix([cos, sin, sin, -cos, at.x as f32, at.y as f32]);
            let glyphs: Vec<Set> = text.chars().map(|c| set(c, *face)).collect();
            for run in glyphs.chunk_by(|a, b| a.face == b.face) {
                let codes: Vec<u8> = run.iter().flat_map(|s| s.glyph.to_be_bytes()).collect();
                content
                    .set_font(FONT_NAMES[run[0].face as usize], *size as f32)
                    .show(Str(&codes));
            }
            content.end_text();
        }
        Mark::Shape {
            path,
            fill,
            stroke,
            opacity,
        } => {
            content.save_state();
            if percent(*opacity) < 100 {
                content.set_parameters(Name(opacity_name(percent(*opacity)).as_bytes()));
            }
            if let Some(colour) = fill {
                let [r, g, b] = rgb(*colour);
                content.set_fill_rgb(r, g, b);
            }
            if let Some(Stroke {
                colour,
                width,
                dashes,
            }) = stroke
            {
                let [r, g, b] = rgb(*colour);
                content
                    .set_stroke_rgb(r, g, b)
                    .set_line_width(*width as f32);
                if !dashes.is_empty() {
                    content.set_dash_pattern(dashes.iter().map(|d| *d as f32), 0.0);
                }
            }
            trace(content, path.elements());
            match (fill, stroke) {
                (Some(_), Some(_)) => content.fill_nonzero_and_stroke(),
                (Some(_), None) => content.fill_nonzero(),
                (None, Some(_)) => content.stroke(),
                (None, None) => content.end_path(),
            };
            content.restore_state();
        }
        Mark::Photo { frame, number } => {
            content.save_state();
            // A photo fills the unit square, upright with y up.
            content.transform([
                frame.width() as f32,
                0.0,
                0.0,
                -frame.height() as f32,
                frame.x0 as f32,
                frame.y1 as f32,
            ]);
            content.x_object(Name(photo_name(*number).as_bytes()));
            content.restore_state();
        }
    }
}

fn trace(content: &mut Content, elements: &[PathEl]) {
    let mut pen = kurbo::Point::ORIGIN;
    for element in elements {
        match *element {
            PathEl::MoveTo(p) => {
                content.move_to(p.x as f32, p.y as f32);
            }
            PathEl::LineTo(p) => {
                content.line_to(p.x as f32, p.y as f32);
            }
            PathEl::QuadTo(a, p) => {
                let cubic = kurbo::QuadBez::new(pen, a, p).raise();
                curve(content, cubic.p1, cubic.p2, p);
            }
            PathEl::CurveTo(a, b, p) => curve(content, a, b, p),
            PathEl::ClosePath => {
                content.close_path();
            }
        }
        pen = element.end_point().unwrap_or(pen);
    }
}

fn curve(content: &mut Content, a: kurbo::Point, b: kurbo::Point, end: kurbo::Point) {
    content.cubic_to(
        a.x as f32,
        a.y as f32,
        b.x as f32,
        b.y as f32,
        end.x as f32,
        end.y as f32,
    );
}

fn role(role: Role) -> StructRole {
    match role {
        Role::Heading(1) => StructRole::H1,
        Role::Heading(2) => StructRole::H2,
        Role::Heading(_) => StructRole::H3,
        Role::Paragraph => StructRole::P,
        Role::List => StructRole::L,
        Role::ListItem => StructRole::LI,
        Role::ListBody => StructRole::LBody,
        Role::Figure => StructRole::Figure,
        Role::Caption => StructRole::Caption,
        Role::Table => StructRole::Table,
        Role::TableRow => StructRole::TR,
        Role::TableHeading(_) => StructRole::TH,
        Role::TableCell => StructRole::TD,
    }
}

/// The tree of elements, and for each page which element a stretch of marks belongs to.
fn structure(pdf: &mut Pdf, document: &Document, ids: &Ids, stretches: &[Stretches]) {
    let mut root = pdf.struct_element(ids.document);
    root.kind(StructRole::Document).parent(ids.structure);
    let mut children = root.children();
    for (element, id) in document.elements.iter().zip(&ids.elements) {
        if element.parent.is_none() {
            children.struct_element(*id);
        }
    }
    children.finish();
    root.finish();

    let mut marked: Vec<Vec<(usize, usize)>> = vec![Vec::new(); document.elements.len()];
    for (page, on_page) in stretches.iter().enumerate() {
        for (number, element) in on_page.iter().enumerate() {
            marked[*element].push((page, number));
        }
    }
    let mut kids: Vec<Vec<usize>> = vec![Vec::new(); document.elements.len()];
    for (i, element) in document.elements.iter().enumerate() {
        if let Some(parent) = element.parent {
            kids[parent].push(i);
        }
    }
    for (i, element) in document.elements.iter().enumerate() {
        let mut entry = pdf.struct_element(ids.elements[i]);
        entry.kind(role(element.role));
        entry.parent(element.parent.map_or(ids.document, |p| ids.elements[p]));
        if let Some(words) = &element.alternative {
            entry.alt(TextStr(words));
        }
        if let Role::TableHeading(of_row) = element.role {
            let scope = match of_row {
                true => TableHeaderScope::Row,
                false => TableHeaderScope::Column,
            };
            entry.attributes().push().table().scope(scope);
        }
        let mut children = entry.children();
        for (page, number) in &marked[i] {
            let mut reference = children.marked_content_ref();
            reference
                .page(ids.pages[*page][0])
                .marked_content_id(whole(*number));
        }
        for kid in &kids[i] {
            children.struct_element(ids.elements[*kid]);
        }
    }
    for (page, on_page) in ids.pages.iter().zip(stretches) {
        let owners = on_page.iter().map(|element| ids.elements[*element]);
        pdf.indirect(page[2]).array().items(owners);
    }
}
