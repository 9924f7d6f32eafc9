//! Which registers of a table answer: the whole range is asked for, and halved where the device says no.

use std::collections::BTreeMap;

use crate::edge::modbus::Heard;

/// Most registers asked for at once, though the standard allows 125: many small devices give no more.
const TOGETHER_MAX: u32 = 32;
/// Answers that may stay away, one after the other, before the device is left alone.
const MISSES_MAX: u8 = 3;

/// The search through one table of one device.
#[derive(Clone, Debug)]
pub(super) struct Search {
    /// First register and count, next one last.
    todo: Vec<(u16, u16)>,
    words: BTreeMap<u16, u16>,
    misses: u8,
    /// The device was left alone before everything was asked.
    cut: bool,
    /// The exception that said most: 1 is no such table.
    exception: Option<u8>,
    /// Most registers of a reply, and fewest of a request that was too long for it.
    longest: u16,
    too_long: Option<u16>,
}

impl Search {
    /// Through the registers from `first` to `last`.
    pub(super) fn new((first, last): (u16, u16)) -> Self {
        let mut todo = Vec::new();
        let mut start = u32::from(first);
        while start <= u32::from(last) {
            let count = TOGETHER_MAX.min(u32::from(last) - start + 1);
            todo.push((start as u16, count as u16));
            start += count;
        }
        todo.reverse();
        Self {
            todo,
            words: BTreeMap::new(),
            misses: 0,
            cut: false,
            exception: None,
            longest: 0,
            too_long: None,
        }
    }

    /// First register and count to ask for next.
    pub(super) fn next(&self) -> Option<(u16, u16)> {
        self.todo.last().copied()
    }

    /// Takes what came of asking for [`Self::next`].
    pub(super) fn take(&mut self, heard: &Heard) {
        let Some((start, count)) = self.todo.last().copied() else { return };
        match heard {
            Heard::Words(words) => {
                self.todo.pop();
                self.words.extend((start..=u16::MAX).zip(words.iter().copied()));
                self.longest = self.longest.max(count);
                self.misses = 0;
            }
            Heard::Exception(code) => {
                self.todo.pop();
                self.misses = 0;
                self.refused(*code, start, count);
            }
            Heard::Silence | Heard::Garbage | Heard::Closed => {
                self.misses += 1;
                if self.misses >= MISSES_MAX {
                    self.cut = true;
                    self.todo.clear();
                }
            }
        }
    }

    /// V1.1b3, 7: 1 no such function, 2 no such address, 3 no such count; 10 and 11 come of a gateway, from which no device answers.
    fn refused(&mut self, code: u8, start: u16, count: u16) {
        self.exception = Some(self.exception.map_or(code, |before| before.min(code)));
        if matches!(code, 1 | 10 | 11) {
            self.todo.clear();
            self.cut = code != 1;
            return;
        }
        if code == 3 && count > 1 {
            self.too_long = Some(self.too_long.map_or(count, |before| before.min(count)));
        }
        if count > 1 {
            let half = count / 2;
            self.todo.push((start + half, count - half));
            self.todo.push((start, half));
        }
    }

    /// What was read.
    pub(super) fn words(&self) -> &BTreeMap<u16, u16> {
        &self.words
    }

    /// First and last register of each range that answers.
    pub(super) fn ranges(&self) -> Vec<(u16, u16)> {
        let mut ranges: Vec<(u16, u16)> = Vec::new();
        for &at in self.words.keys() {
            match ranges.last_mut() {
                Some((_, last)) if *last + 1 == at => *last = at,
                _ => ranges.push((at, at)),
            }
        }
        ranges
    }

    /// Whether the device was left alone before everything was asked.
    pub(super) fn cut(&self) -> bool {
        self.cut
    }

    /// The exception it gave, where nothing answers.
    pub(super) fn exception(&self) -> Option<u8> {
        self.exception.filter(|_| self.words.is_empty())
    }

    /// Most registers it gives at once, where it said that more are too many.
    pub(super) fn registers_max(&self) -> Option<u16> {
        self.too_long.and(Some(self.longest)).filter(|longest| *longest > 0)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Searches a device that holds these registers and gives `together` of them at most; also how often it was asked.
    fn searched(held: &[std::ops::RangeInclusive<u16>], together: u16) -> (Search, usize) {
        let mut search = Search::new((0, 63));
        let mut asked = 0;
        while let Some((start, count)) = search.next() {
            asked += 1;
            let all = (start..start + count).all(|at| held.iter().any(|range| range.contains(&at)));
            let heard = if count > together {
                Heard::Exception(3)
            } else if all {
                Heard::Words((start..start + count).collect())
            } else {
                Heard::Exception(2)
            };
            search.take(&heard);
            assert!(asked < 200, "it ends");
        }
        (search, asked)
    }

    #[test]
    fn ranges_are_found_to_the_register() {
        for held in [vec![0..=63], vec![0..=0], vec![5..=9, 20..=21], vec![63..=63], vec![31..=32]] {
            let (search, _) = searched(&held, 125);
            let ranges: Vec<_> = held.iter().map(|range| (*range.start(), *range.end())).collect();
            assert_eq!(search.ranges(), ranges);
            assert_eq!((search.registers_max(), search.cut()), (None, false));
            assert!(search.words().iter().all(|(at, word)| at == word), "each word at its place");
        }
        assert_eq!(searched(&[0..=63], 125).1, 2, "two requests where everything answers");
        let (none, asked) = searched(&[], 125);
        assert_eq!((none.ranges(), none.exception()), (vec![], Some(2)));
        assert!(asked <= 2 * 64 - 2, "{asked}");
    }

    #[test]
    fn a_device_of_short_replies_is_read_in_parts_and_said_to_be_one() {
        let (search, _) = searched(&[0..=63], 8);
        assert_eq!(search.ranges(), [(0, 63)]);
        assert_eq!(search.registers_max(), Some(8));
    }

    #[test]
    fn one_without_the_table_or_without_answers_is_left_alone() {
        let mut search = Search::new((0, 63));
        search.take(&Heard::Exception(1));
        assert_eq!((search.next(), search.exception(), search.cut()), (None, Some(1), false));
        let mut search = Search::new((0, 63));
        for heard in [Heard::Silence, Heard::Garbage] {
            search.take(&heard);
            assert_eq!(search.next(), Some((0, 32)), "the same again");
        }
        search.take(&Heard::Closed);
        assert_eq!((search.next(), search.cut()), (None, true));
        let mut search = Search::new((0, 63));
        search.take(&Heard::Exception(11));
        assert_eq!((search.next(), search.cut()), (None, true));
    }

    #[test]
    fn the_last_register_of_all_is_no_overflow() {
        let mut search = Search::new((65_500, 65_535));
        let mut last = 0;
        while let Some((start, count)) = search.next() {
            last = u32::from(start) + u32::from(count) - 1;
            search.take(&Heard::Words(vec![1; count.into()]));
        }
        assert_eq!((last, search.ranges()), (65_535, vec![(65_500, 65_535)]));
    }
}
