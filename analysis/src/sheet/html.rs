//! A sheet as one HTML file, from the parts that all pages share.

use super::{Block, Entry, Sheet};
use crate::markup::{figure, head, lines, notes_list, prose, table};
use crate::plot::escape;

/// The whole file.
pub(crate) fn html(sheet: &Sheet) -> String {
    let mut page = head(&sheet.title, "main", "Skip to the answer");
    page += &format!(
        "<header class=\"masthead small faint\"><p>{}. {}.</p></header>\n<main id=\"main\">\n",
        escape(&sheet.site),
        prose(&sheet.about)
    );
    let mut writer = Writer { page, figures: 0 };
    writer.blocks(&sheet.blocks);
    writer.page
        + &format!(
            "</main>\n<footer class=\"small faint\"><p>{}. {}. Until {}.</p></footer>\n</div>\n</body>\n</html>\n",
            escape(&sheet.site),
            prose(&sheet.about),
            escape(&sheet.until)
        )
}

struct Writer {
    page: String,
    figures: usize,
}

impl Writer {
    fn blocks(&mut self, blocks: &[Block]) {
        for block in blocks {
            self.block(block);
        }
    }

    fn paragraph(&mut self, class: &str, html: &str) {
        let class = if class.is_empty() {
            String::new()
        } else {
            format!(" class=\"{class}\"")
        };
        self.page += &format!("<p{class}>{html}</p>\n");
    }

    fn block(&mut self, block: &Block) {
        match block {
            Block::Heading { level, text, .. } => {
                self.page += &format!("<h{level}>{}</h{level}>\n", prose(text))
            }
            Block::Paragraph(text) => self.paragraph("", &prose(text)),
            Block::Small(text) => self.paragraph("small faint", &prose(text)),
            Block::Framed(text) => self.paragraph("invented", &prose(text)),
            Block::Labelled { label, text } => {
                let html = format!("<strong>{}</strong> {}", escape(label), prose(text));
                self.paragraph("", &html);
            }
            Block::Bullets(items) => lines(&mut self.page, items, ""),
            Block::Numbered(items) => {
                self.page += "<ul class=\"journal events\">\n";
                for (mark, text) in items {
                    self.page += &format!("<li><b>{}</b> {}</li>\n", escape(mark), prose(text));
                }
                self.page += "</ul>\n";
            }
            Block::Terms(notes) => notes_list(&mut self.page, notes),
            Block::Table {
                table: found,
                is_words,
            } => table(&mut self.page, "", found, *is_words),
            Block::Figures(figures) => {
                for shown in figures {
                    figure(
                        &mut self.page,
                        &shown.picture,
                        &format!("f{}", self.figures),
                        &shown.notes,
                    );
                    self.figures += 1;
                }
            }
            Block::Entry(entry) => self.entry(entry),
            Block::Columns(columns) => columns.iter().for_each(|(_, blocks)| self.blocks(blocks)),
            Block::OnePage(blocks) => self.blocks(blocks),
            Block::NewPage => {}
        }
    }

    fn entry(&mut self, entry: &Entry) {
        self.page += &format!(
            "<section class=\"need\">\n<h3>{}: <span class=\"verdict\">{}</span></h3>\n",
            escape(&entry.head),
            escape(&entry.verdict)
        );
        self.blocks(&entry.body);
        self.page += "</section>\n";
    }
}
