//! Tables: columns as wide as their words ask for, rows that never part over a page.

use super::{
    fonts::Weight,
    lay::{BLACK, Layout, Look, NodeKind, RULE, What},
};
use crate::record::page::Table;

const GAP: f32 = 9.0;
const SIZE: f32 = 8.3;

impl Layout<'_> {
    pub(super) fn table(&mut self, table: &Table) {
        let widths = self.widths(table);
        let node = self.node(NodeKind::Table(table.says.clone()), None);
        self.head(node, table, &widths);
        for (at, row) in table.rows.iter().enumerate() {
            let weight = if table.sums.contains(&at) {
                Weight::Bold
            } else {
                Weight::Regular
            };
            let cells = self.cells(row, &widths, weight);
            if self.y + height_of(&cells) > self.bottom() {
                self.new_page();
                self.head(node, table, &widths);
            }
            self.row(node, NodeKind::Cell, &cells, table, &widths, weight);
        }
        self.y += 8.0;
    }

    /// How high all of it will be.
    pub(super) fn table_height(&self, table: &Table) -> f32 {
        let widths = self.widths(table);
        let heads: Vec<String> = table.heads.iter().map(|h| h.0.clone()).collect();
        let rows = table
            .rows
            .iter()
            .map(|row| height_of(&self.cells(row, &widths, Weight::Bold)) + 1.0);
        rows.sum::<f32>() + height_of(&self.cells(&heads, &widths, Weight::Bold)) + 9.0
    }

    fn head(&mut self, node: usize, table: &Table, widths: &[f32]) {
        let heads: Vec<String> = table.heads.iter().map(|h| h.0.clone()).collect();
        let cells = self.cells(&heads, widths, Weight::Bold);
        self.need(height_of(&cells) + 16.0);
        self.row(node, NodeKind::Head, &cells, table, widths, Weight::Bold);
    }

    /// Widths that the words ask for, made to fit: the widest columns give way.
    fn widths(&self, table: &Table) -> Vec<f32> {
        let across = self.across() - GAP * (table.heads.len() as f32 - 1.0);
        let mut widths = Vec::new();
        for (column, (head, _)) in table.heads.iter().enumerate() {
            let cells = table.rows.iter().filter_map(|row| row.get(column));
            let widest = cells
                .map(|cell| {
                    self.fonts
                        .width(&self.fonts.shown(cell, Weight::Bold), Weight::Bold)
                })
                .chain([self
                    .fonts
                    .width(&self.fonts.shown(head, Weight::Bold), Weight::Bold)])
                .fold(0.0, f32::max);
            widths.push(widest * SIZE + 1.0);
        }
        let mut fixed = 0.0;
        let mut open: Vec<usize> = (0..widths.len()).collect();
        open.sort_by(|&a, &b| widths[a].total_cmp(&widths[b]));
        for (done, &column) in open.iter().enumerate() {
            let fair = (across - fixed) / (widths.len() - done) as f32;
            widths[column] = widths[column].min(fair.max(12.0));
            fixed += widths[column];
        }
        widths
    }

    fn cells(&self, row: &[String], widths: &[f32], weight: Weight) -> Vec<Vec<String>> {
        (row.iter().zip(widths))
            .map(|(cell, &width)| self.fonts.lines(cell, weight, SIZE, width))
            .collect()
    }

    fn row(
        &mut self,
        table_node: usize,
        kind: NodeKind,
        cells: &[Vec<String>],
        table: &Table,
        widths: &[f32],
        weight: Weight,
    ) {
        let look = Look::new(SIZE, weight, BLACK);
        let row = self.node(NodeKind::Row, Some(table_node));
        let (top, mut x) = (self.y, self.left());
        for ((lines, &width), (_, number)) in cells.iter().zip(widths).zip(&table.heads) {
            let cell = self.node(kind.clone(), Some(row));
            self.y = top + 2.0;
            for line in lines {
                let wide = self.fonts.width(line, weight) * SIZE;
                let from = if *number { x + width - wide } else { x };
                self.words(Some(cell), from, look, &format!("{line} "));
                self.y += look.line();
            }
            x += width + GAP;
        }
        self.y = top + height_of(cells);
        let (x, y, width) = (self.left(), self.y, self.across());
        let height = if kind == NodeKind::Head { 1.2 } else { 0.5 };
        let colour = if kind == NodeKind::Head { BLACK } else { RULE };
        self.put(
            None,
            What::Area {
                x,
                y,
                width,
                height,
                colour,
            },
        );
        self.y += 1.0;
    }
}

fn height_of(cells: &[Vec<String>]) -> f32 {
    let lines = cells.iter().map(Vec::len).max().unwrap_or(1);
    lines as f32 * Look::new(SIZE, Weight::Regular, BLACK).line() + 5.0
}
