//! The marks of the open AprilTag family 36h11: which of their cells are white.

/// Cells along a mark's side: six of data and a black border of one on either end. Outside lies a white margin.
pub const CELLS: usize = 8;

/// How many of the family's 587 marks the cards use: the first ones.
pub const MARKS: usize = 64;

/// Data of the first marks, 36 bits each, first bit highest, 1 for white.
///
/// # Source
/// E. Olson, "AprilTag: a robust and flexible visual fiducial system", ICRA 2011; the family's published list.
const CODES: [u64; MARKS] = [
    0xd7e00984b,
    0xdda664ca7,
    0xdc4a1c821,
    0xe17b470e9,
    0xef91d01b1,
    0xf429cdd73,
    0x05da29225,
    0x1106cba43,
    0x223bed79d,
    0x21f51213c,
    0x33eb19ca6,
    0x3f76eb0f8,
    0x469a97414,
    0x45dcfe0b0,
    0x4a6465f72,
    0x51801db96,
    0x5eb946b4e,
    0x68a7cc2ec,
    0x6f0ba2652,
    0x78765559d,
    0x87b83d129,
    0x86cc4a5c5,
    0x8b64df90f,
    0x9c577b611,
    0xa3810f2f5,
    0xaf4d75b83,
    0xb59a03fef,
    0xbb1096f85,
    0xd1b92fc76,
    0xd0dd509d2,
    0xe2cfda160,
    0x2ff497c63,
    0x47240671b,
    0x5047a2e55,
    0x635ca87c7,
    0x691254166,
    0x68f43d94a,
    0x6ef24bdb6,
    0x8cdd8f886,
    0x9de96b718,
    0xaff6e5a8a,
    0xbae46f029,
    0xd225b6d59,
    0xdf8ba8c01,
    0xe3744a22f,
    0xfbb59375d,
    0x18a916828,
    0x22f29c1ba,
    0x286887d58,
    0x41392322e,
    0x75d18ecd1,
    0x87c302743,
    0x8c6317ba9,
    0x9e40f36d7,
    0xc0e5a806a,
    0xcc78cb87c,
    0x12d2f2d01,
    0x379f36a21,
    0x6973f59ac,
    0x7789ea9f4,
    0x8f1c73e84,
    0x8dd287a20,
    0x94a4eee4c,
    0xa455379b5,
];

/// Column of each bit in the mark, counted from 0 at the border; the rows follow by turning (see [`bit_place`]).
const FIRST_QUARTER: [(usize, usize); 9] = [(1, 1), (2, 1), (3, 1), (4, 1), (5, 1), (2, 2), (3, 2), (4, 2), (3, 3)];

/// Column and row of bit `i`: nine bits for the upper quarter, and again for each turn of the mark by a right angle.
fn bit_place(i: usize) -> (usize, usize) {
    let (mut column, mut row) = FIRST_QUARTER[i % 9];
    for _ in 0..i / 9 {
        (column, row) = (CELLS - 1 - row, column);
    }
    (column, row)
}

/// The cells of a mark, row by row from the top left, true for white. `None` beyond [`MARKS`].
pub fn cells(id: usize) -> Option<[[bool; CELLS]; CELLS]> {
    let code = CODES.get(id)?;
    let mut cells = [[false; CELLS]; CELLS];
    for i in 0..36 {
        let (column, row) = bit_place(i);
        cells[row][column] = code >> (35 - i) & 1 == 1;
    }
    Some(cells)
}

/// The same pattern turned clockwise by a quarter.
pub(super) fn turned(cells: &[[bool; CELLS]; CELLS]) -> [[bool; CELLS]; CELLS] {
    let mut out = [[false; CELLS]; CELLS];
    for (row, line) in cells.iter().enumerate() {
        for (column, white) in line.iter().enumerate() {
            out[column][CELLS - 1 - row] = *white;
        }
    }
    out
}

#[cfg(test)]
mod tests {
    use super::*;

    fn data(cells: &[[bool; CELLS]; CELLS]) -> Vec<bool> {
        cells.iter().flatten().copied().collect()
    }

    #[test]
    fn any_two_marks_differ_in_eleven_cells_however_turned() {
        // The family's name promises a Hamming distance of at least 11 between all marks in all four turns (Olson 2011).
        let all: Vec<_> = (0..MARKS).map(|id| cells(id).unwrap()).collect();
        for (i, a) in all.iter().enumerate() {
            for (j, b) in all.iter().enumerate() {
                let mut b = *b;
                for turn in 0..4 {
                    let distance = data(a).iter().zip(data(&b)).filter(|(x, y)| **x != *y).count();
                    assert!(distance >= 11 || (i == j && turn == 0), "{i} {j} {turn}: {distance}");
                    b = turned(&b);
                }
            }
        }
    }

    #[test]
    fn bits_fill_the_inside_once() {
        let mut places: Vec<_> = (0..36).map(bit_place).collect();
        places.sort();
        places.dedup();
        assert_eq!(places.len(), 36);
        assert!(places.iter().all(|(c, r)| (1..=6).contains(c) && (1..=6).contains(r)));
    }
}
