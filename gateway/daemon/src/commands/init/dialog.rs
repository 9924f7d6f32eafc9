//! The conversation: asks, explains, checks each answer at once, goes back, and keeps what was answered.
//!
//! At a terminal a wrong answer is asked for again. From a pipe or a file nobody is there to answer again, so it ends
//! with what is wrong.

use std::collections::BTreeMap;
use std::io::{BufRead, Write};
use std::path::Path;

use super::answers::Answers;
use super::check::{self, Wrong};
use super::scanned::Scanned;
use super::script::{self, Question};
use super::words::tidy;
use crate::commands::console::plain;

/// How it ended short of all answers.
#[derive(Clone, PartialEq, Eq, Debug)]
pub(super) enum Stopped {
    /// The input ended at a terminal; what was answered is kept.
    Left,
    /// An answer is wrong or missing and nobody is there to be asked.
    Wrong(String),
    /// Terminal or disk failed.
    Outside(String),
}

/// A conversation.
pub(super) struct Dialog<'a, R, W> {
    /// Where answers come from, a line each.
    pub(super) input: R,
    /// Where questions go.
    pub(super) output: W,
    /// Somebody is there.
    pub(super) terminal: bool,
    /// Lines come; without it only the file and the defaults answer.
    pub(super) lines: bool,
    /// Answers of a file, taken before anything is asked.
    pub(super) given: BTreeMap<String, String>,
    /// What was answered before going back, shown as default.
    pub(super) before: BTreeMap<String, String>,
    /// Devices of a scan.
    pub(super) scanned: &'a Scanned,
    /// File the answers are kept in.
    pub(super) keep: Option<&'a Path>,
}

/// What somebody typed.
enum Line {
    Text(String),
    Back,
    Help,
    End,
}

impl<R: BufRead, W: Write> Dialog<'_, R, W> {
    /// Asks everything.
    pub(super) fn run(&mut self) -> Result<Answers, Stopped> {
        let mut answers = Answers::default();
        while let Some(question) = script::next(&answers, self.scanned) {
            match self.given.remove(&question.key) {
                Some(text) => self.take_given(&mut answers, &question, &text)?,
                None => self.ask(&mut answers, &question)?,
            }
        }
        match self.given.keys().next() {
            Some(key) => Err(Stopped::Wrong(self.unknown(key, &answers))),
            None => Ok(answers),
        }
    }

    /// An answer of the file: wrong, it is asked for where somebody is there.
    fn take_given(&mut self, answers: &mut Answers, question: &Question, text: &str) -> Result<(), Stopped> {
        match self.accept(answers, question, text) {
            Ok(()) => Ok(()),
            Err(wrong) if self.terminal => {
                self.complain(&wrong)?;
                self.ask(answers, question)
            }
            Err(wrong) => Err(Stopped::Wrong(format!("{} = \"{text}\"\n{}", question.key, words(&wrong)))),
        }
    }

    fn ask(&mut self, answers: &mut Answers, question: &Question) -> Result<(), Stopped> {
        loop {
            let default = self.before.get(&question.key).or(question.default.as_ref()).cloned();
            let line = self.line(question, default.as_deref())?;
            let text = match line {
                Line::Text(text) if text.is_empty() => match &default {
                    Some(default) => default.clone(),
                    None if self.terminal => {
                        self.say("  an answer is needed here; ? explains")?;
                        continue;
                    }
                    None => return Err(Stopped::Wrong(missing(question))),
                },
                Line::Text(text) => text,
                Line::Help => {
                    self.say(&format!("  {}", question.help))?;
                    continue;
                }
                Line::Back => {
                    let Some((key, text)) = answers.pop() else {
                        self.say("  this is the first question")?;
                        continue;
                    };
                    self.before.insert(key, text);
                    return self.save(answers);
                }
                Line::End if self.terminal => return Err(Stopped::Left),
                Line::End => match &default {
                    Some(default) => default.clone(),
                    None => return Err(Stopped::Wrong(missing(question))),
                },
            };
            match self.accept(answers, question, &text) {
                Ok(()) => return self.save(answers),
                Err(wrong) if self.terminal => self.complain(&wrong)?,
                Err(wrong) => {
                    return Err(Stopped::Wrong(format!(
                        "{} ({}): \"{text}\"\n{}",
                        question.ask,
                        question.key,
                        words(&wrong)
                    )));
                }
            }
        }
    }

    fn line(&mut self, question: &Question, default: Option<&str>) -> Result<Line, Stopped> {
        if !self.lines {
            return Ok(Line::End);
        }
        if self.terminal {
            let default = default.map_or_else(String::new, |default| format!(" [{}]", plain(default)));
            write!(self.output, "{}{default}: ", question.ask)
                .and_then(|()| self.output.flush())
                .map_err(outside)?;
        }
        let mut line = String::new();
        if self.input.read_line(&mut line).map_err(outside)? == 0 {
            return Ok(Line::End);
        }
        Ok(match line.trim() {
            "?" => Line::Help,
            "back" => Line::Back,
            text => Line::Text(text.to_owned()),
        })
    }

    /// Takes the answer if the configuration of all answers so far is one.
    fn accept(&mut self, answers: &mut Answers, question: &Question, text: &str) -> Result<(), Vec<Wrong>> {
        let text = match text {
            script::NONE if question.default.as_deref() == Some(script::NONE) => text.to_owned(),
            _ => tidy(question.form, text).map_err(|wrong| vec![wrong])?,
        };
        answers.push(&question.key, &text);
        match check::check(answers, self.scanned) {
            Ok(loaded) => {
                self.measured(answers, question, &loaded);
                Ok(())
            }
            Err(wrong) => {
                answers.pop();
                Err(wrong)
            }
        }
    }

    /// After the marks of a tank: the litres that follow, which somebody at the machine can judge.
    fn measured(&mut self, answers: &Answers, question: &Question, loaded: &crate::config::Loaded) {
        let Some(number) = question.key.strip_suffix(".fill_mark") else { return };
        let name = answers.get(&format!("{number}.name")).unwrap_or_default();
        if let Some((fill, brim)) = check::litres(loaded, name).filter(|_| self.terminal) {
            // A terminal that is gone is noticed at the next question.
            let _ = writeln!(
                self.output,
                "  that makes {fill:.0} L at the fill mark and {brim:.0} L to the brim"
            );
        }
    }

    fn save(&self, answers: &Answers) -> Result<(), Stopped> {
        let Some(path) = self.keep else { return Ok(()) };
        crate::edge::small_file::put(path, answers.to_toml().as_bytes())
            .map_err(|error| Stopped::Outside(format!("{}: {error}", path.display())))
    }

    fn complain(&mut self, wrong: &[Wrong]) -> Result<(), Stopped> {
        self.say(&words(wrong))
    }

    fn say(&mut self, text: &str) -> Result<(), Stopped> {
        writeln!(self.output, "{text}").map_err(outside)
    }

    fn unknown(&self, key: &str, answers: &Answers) -> String {
        let asked: Vec<&str> = answers.keys().collect();
        let near = crate::config::did_you_mean(key, asked.iter().copied());
        format!("`{key}` is no question here\n  {near}answers that were taken: {}", asked.join(", "))
    }
}

fn outside(error: std::io::Error) -> Stopped {
    Stopped::Outside(format!("cannot ask: {error}"))
}

fn missing(question: &Question) -> String {
    format!("no answer to \"{}\" ({})\n  {}", question.ask, question.key, question.help)
}

fn words(wrong: &[Wrong]) -> String {
    let lines: Vec<String> =
        wrong.iter().map(|(what, cure)| format!("  {}\n  {}", plain(what), plain(cure))).collect();
    lines.join("\n")
}
