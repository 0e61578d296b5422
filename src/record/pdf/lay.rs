//! Blocks laid out on pages: what stands where, and which part of the document each thing belongs to.

use krilla::tagging::Identifier;

use super::{
    PagePicture,
    fonts::{Fonts, Weight},
};
use crate::record::page::{Block, Page};

/// Points of 1/72 in.
const MARGIN: f32 = 50.0;
/// Room at the foot of each page for what stands on every page.
const FOOT: f32 = 44.0;
pub(super) const BLACK: [u8; 3] = [24, 26, 30];
pub(super) const SOFT: [u8; 3] = [86, 90, 98];
pub(super) const RULE: [u8; 3] = [185, 182, 172];
pub(super) const BAND: [u8; 3] = [241, 239, 232];

/// What a part of the document is.
#[derive(Debug, Clone, PartialEq)]
pub(super) enum NodeKind {
    Heading(u8, String),
    Text,
    List,
    Point,
    Bullet,
    Body,
    Table(String),
    Row,
    Head,
    Cell,
    Picture(String),
}

/// A part of the document, for readers that do not see it.
#[derive(Debug, Clone)]
pub(super) struct Node {
    pub kind: NodeKind,
    pub parent: Option<usize>,
    /// What is drawn of it, filled in as it is drawn.
    pub content: Vec<Identifier>,
}

/// One thing on a page. `node`: the part that it belongs to; `None`: an ornament.
#[derive(Debug, Clone)]
pub(super) struct Item {
    pub node: Option<usize>,
    pub what: What,
}

/// What is drawn. Places are points from the page's top left; words stand on their baseline.
#[derive(Debug, Clone)]
pub(super) enum What {
    Words {
        x: f32,
        y: f32,
        size: f32,
        weight: Weight,
        colour: [u8; 3],
        text: String,
    },
    Area {
        x: f32,
        y: f32,
        width: f32,
        height: f32,
        colour: [u8; 3],
    },
    Closed {
        points: Vec<(f32, f32)>,
        fill: [u8; 3],
    },
    Line {
        points: Vec<(f32, f32)>,
        width: f32,
        colour: [u8; 3],
    },
    Picture {
        x: f32,
        y: f32,
        width: f32,
        height: f32,
        photo: String,
        jpeg: Vec<u8>,
    },
    /// Things that are one to a reader.
    Together(Vec<What>),
}

/// A bookmark.
#[derive(Debug, Clone)]
pub(super) struct Bookmark {
    pub level: u8,
    pub text: String,
    pub y: f32,
}

/// One page.
#[derive(Debug, Clone, Default)]
pub(super) struct Sheet {
    pub items: Vec<Item>,
    pub marks: Vec<Bookmark>,
}

/// How a piece of text looks.
#[derive(Debug, Clone, Copy)]
pub(super) struct Look {
    pub size: f32,
    pub weight: Weight,
    pub colour: [u8; 3],
}

impl Look {
    pub const TEXT: Self = Self::new(9.5, Weight::Regular, BLACK);
    pub const SMALL: Self = Self::new(8.0, Weight::Regular, BLACK);
    pub const SMALL_BOLD: Self = Self::new(8.0, Weight::Bold, BLACK);
    pub const SMALL_SOFT: Self = Self::new(8.0, Weight::Regular, SOFT);

    pub const fn new(size: f32, weight: Weight, colour: [u8; 3]) -> Self {
        Self {
            size,
            weight,
            colour,
        }
    }

    /// From one baseline to the next.
    pub fn line(self) -> f32 {
        self.size * 1.36
    }
}

/// Pages as laid out.
pub(super) struct Laid {
    pub sheets: Vec<Sheet>,
    pub nodes: Vec<Node>,
    pub width: f32,
    pub height: f32,
}

/// Lays blocks out, one below the other.
pub(super) struct Layout<'a> {
    pub fonts: &'a Fonts<'a>,
    pub pictures: &'a dyn Fn(&str) -> Option<PagePicture>,
    pub sheets: Vec<Sheet>,
    pub nodes: Vec<Node>,
    pub width: f32,
    pub height: f32,
    /// Where the next thing begins.
    pub y: f32,
}

impl<'a> Layout<'a> {
    pub fn new(
        fonts: &'a Fonts<'a>,
        a4: bool,
        pictures: &'a dyn Fn(&str) -> Option<PagePicture>,
    ) -> Self {
        let (width, height) = if a4 { (595.0, 842.0) } else { (612.0, 792.0) };
        Self {
            fonts,
            pictures,
            sheets: vec![Sheet::default()],
            nodes: Vec::new(),
            width,
            height,
            y: MARGIN,
        }
    }

    pub fn left(&self) -> f32 {
        MARGIN
    }

    pub fn across(&self) -> f32 {
        self.width - 2.0 * MARGIN
    }

    pub fn bottom(&self) -> f32 {
        self.height - FOOT - 12.0
    }

    pub fn node(&mut self, kind: NodeKind, parent: Option<usize>) -> usize {
        self.nodes.push(Node {
            kind,
            parent,
            content: Vec::new(),
        });
        self.nodes.len() - 1
    }

    pub fn put(&mut self, node: Option<usize>, what: What) {
        let sheet = self.sheets.last_mut().expect("there is one");
        sheet.items.push(Item { node, what });
    }

    pub fn new_page(&mut self) {
        if !self.sheets.last().is_some_and(|s| s.items.is_empty()) {
            self.sheets.push(Sheet::default());
        }
        self.y = MARGIN;
    }

    /// Goes on to a new page unless there is this much room.
    pub fn need(&mut self, height: f32) {
        if self.y + height > self.bottom() && self.y > MARGIN {
            self.new_page();
        }
    }

    /// A line of words with its top at the present place; does not go on.
    pub fn words(&mut self, node: Option<usize>, x: f32, look: Look, text: &str) {
        let y = self.y + look.size;
        self.put(
            node,
            What::Words {
                x,
                y,
                size: look.size,
                weight: look.weight,
                colour: look.colour,
                text: text.to_owned(),
            },
        );
    }

    /// Words in lines of at most `width`, going on over pages.
    pub fn flow(&mut self, node: usize, (x, width): (f32, f32), look: Look, text: &str) {
        let lines = self.fonts.lines(text, look.weight, look.size, width);
        let last = lines.len() - 1;
        for (at, line) in lines.iter().enumerate() {
            self.need(look.line());
            // A blank at a line's end keeps words apart for those who search or listen.
            let text = if at < last {
                format!("{line} ")
            } else {
                line.clone()
            };
            self.words(Some(node), x, look, &text);
            self.y += look.line();
        }
    }

    /// All of a record.
    pub fn page(&mut self, page: &Page) {
        self.heading(1, &page.title);
        for (at, block) in page.blocks.iter().enumerate() {
            if let Block::Heading(..) = block {
                self.need(42.0 + self.ahead(page.blocks.get(at + 1)));
            }
            self.block(block);
        }
    }

    /// Room that a heading keeps for what stands under it: all of a drawing or of a table that is not long.
    fn ahead(&self, next: Option<&Block>) -> f32 {
        let asked = match next {
            Some(Block::Drawing(drawing)) => self.drawing_height(drawing),
            Some(Block::Table(table)) => self.table_height(table),
            _ => 0.0,
        };
        if asked > self.bottom() * 0.45 {
            90.0
        } else {
            asked
        }
    }

    fn block(&mut self, block: &Block) {
        match block {
            Block::Heading(level, text) => self.heading(*level, text),
            Block::Text(text) => {
                let node = self.node(NodeKind::Text, None);
                self.flow(node, (self.left(), self.across()), Look::TEXT, text);
                self.y += 5.0;
            }
            Block::Notice(text) => self.notice(text),
            Block::Figure { figure, under } => self.figure(figure, under),
            Block::List(points) => self.list(points),
            Block::Table(table) => self.table(table),
            Block::Hash { name, hash } => self.hash(name, hash),
            Block::Drawing(drawing) => self.drawing(drawing),
            Block::Frame(frame) => self.frame(frame),
            Block::NewPage => self.new_page(),
        }
    }

    fn heading(&mut self, level: u8, text: &str) {
        let (size, before) = match level {
            1 => (19.0, 0.0),
            2 => (13.0, 14.0),
            _ => (10.5, 6.0),
        };
        let look = Look::new(size, Weight::Bold, BLACK);
        let lines = self.fonts.lines(text, look.weight, size, self.across());
        // A heading never stands alone at a page's foot.
        self.need(before + lines.len() as f32 * look.line() + 46.0);
        if self.y > MARGIN {
            self.y += before;
        }
        if level == 2 {
            let (x, y, width) = (self.left(), self.y - 4.0, self.across());
            self.put(
                None,
                What::Area {
                    x,
                    y,
                    width,
                    height: 1.6,
                    colour: BLACK,
                },
            );
        }
        if level > 1 {
            let y = self.y - 6.0;
            let sheet = self.sheets.last_mut().expect("there is one");
            sheet.marks.push(Bookmark {
                level,
                text: text.to_owned(),
                y,
            });
        }
        let node = self.node(NodeKind::Heading(level, text.to_owned()), None);
        self.flow(node, (self.left(), self.across()), look, text);
        self.y += 4.0;
    }

    fn figure(&mut self, figure: &str, under: &[String]) {
        let node = self.node(NodeKind::Text, None);
        self.y += 2.0;
        let look = Look::new(34.0, Weight::Bold, BLACK);
        self.flow(node, (self.left(), self.across()), look, figure);
        for (at, line) in under.iter().enumerate() {
            let look = if at == 0 {
                Look::new(11.0, Weight::Bold, BLACK)
            } else {
                Look::TEXT
            };
            let node = self.node(NodeKind::Text, None);
            self.flow(node, (self.left(), self.across()), look, line);
            self.y += 2.0;
        }
        self.y += 6.0;
    }

    fn notice(&mut self, text: &str) {
        let look = Look::new(9.5, Weight::Bold, BLACK);
        let width = self.across() - 18.0;
        let all = self.fonts.lines(text, look.weight, look.size, width);
        let node = self.node(NodeKind::Text, None);
        let mut rest = &all[..];
        while !rest.is_empty() {
            self.need(2.0 * look.line() + 10.0);
            let room =
                (((self.bottom() - self.y - 10.0) / look.line()) as usize).clamp(1, rest.len());
            let (now, later) = rest.split_at(room);
            let height = now.len() as f32 * look.line() + 9.0;
            let (x, y, across) = (self.left(), self.y, self.across());
            self.put(
                None,
                What::Area {
                    x,
                    y,
                    width: across,
                    height,
                    colour: BAND,
                },
            );
            self.put(
                None,
                What::Area {
                    x,
                    y,
                    width: 4.0,
                    height,
                    colour: BLACK,
                },
            );
            self.y += 4.0;
            for line in now {
                self.words(Some(node), x + 11.0, look, &format!("{line} "));
                self.y += look.line();
            }
            self.y += 9.0;
            rest = later;
        }
    }

    fn list(&mut self, points: &[String]) {
        let list = self.node(NodeKind::List, None);
        for text in points {
            self.need(Look::TEXT.line());
            let point = self.node(NodeKind::Point, Some(list));
            let bullet = self.node(NodeKind::Bullet, Some(point));
            self.words(Some(bullet), self.left() + 2.0, Look::TEXT, "• ");
            let body = self.node(NodeKind::Body, Some(point));
            self.flow(
                body,
                (self.left() + 14.0, self.across() - 14.0),
                Look::TEXT,
                text,
            );
            self.y += 2.0;
        }
        self.y += 5.0;
    }

    fn hash(&mut self, name: &str, hash: &str) {
        self.need(40.0);
        let (x, y, width) = (self.left(), self.y, self.across());
        self.put(
            None,
            What::Area {
                x,
                y,
                width,
                height: 34.0,
                colour: BAND,
            },
        );
        self.y += 5.0;
        let node = self.node(NodeKind::Text, None);
        self.words(Some(node), x + 8.0, Look::SMALL_SOFT, &format!("{name} "));
        self.y += 12.0;
        self.words(
            Some(node),
            x + 8.0,
            Look::new(9.8, Weight::Bold, BLACK),
            hash,
        );
        self.y += 24.0;
    }

    /// Puts what stands on every page at its foot, now that their number is known.
    pub fn finish(mut self, page: &Page) -> Laid {
        let all = self.sheets.len();
        let (x, across, top) = (self.left(), self.across(), self.height - FOOT);
        let look = Look::new(7.6, Weight::Bold, BLACK);
        for (number, sheet) in self.sheets.iter_mut().enumerate() {
            let mut foot = |what| sheet.items.push(Item { node: None, what });
            foot(What::Area {
                x,
                y: top,
                width: across,
                height: 0.7,
                colour: RULE,
            });
            let mut words = |x, y, look: Look, text: String| {
                foot(What::Words {
                    x,
                    y,
                    size: look.size,
                    weight: look.weight,
                    colour: look.colour,
                    text,
                });
            };
            words(
                x,
                top + 11.0,
                look,
                self.fonts.shown(&page.running, look.weight),
            );
            let plain = Look::new(6.8, Weight::Regular, SOFT);
            words(
                x,
                top + 22.0,
                plain,
                format!("manifest.sha256 {}", page.manifest_sha256),
            );
            let count = format!("page {} of {all}", number + 1);
            let wide = self.fonts.width(&count, look.weight) * look.size;
            words(x + across - wide, top + 22.0, look, count);
        }
        Laid {
            sheets: self.sheets,
            nodes: self.nodes,
            width: self.width,
            height: self.height,
        }
    }
}
