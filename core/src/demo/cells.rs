//! How the surface crosses a grid cell: for each of the 256 patterns of corners inside, which crossed edges belong to
//! one patch. A face crossed four times is cut so that its inner corners stay apart; both cells at it cut it alike.

/// The patches of a cell: for every edge, the patch that crosses it.
#[derive(Debug, Clone, Copy)]
pub(super) struct Cycles {
    pub(super) of: [Option<u8>; 12],
    pub(super) count: u8,
}

/// By the corners inside, as bits.
pub(super) static CYCLES: [Cycles; 256] = table();

/// The ends of an edge: `axis · 4 + offset along the next axis + 2 · offset along the one after`. A corner is three
/// bits: x, y, z.
pub(super) const fn edge_of(edge: usize) -> [usize; 2] {
    let axis = edge / 4;
    let from = ((edge & 1) << ((axis + 1) % 3)) | ((edge >> 1 & 1) << ((axis + 2) % 3));
    [from, from | 1 << axis]
}

/// The grid point of a cell's corner.
pub(super) fn corner_of(cell: [usize; 3], corner: usize) -> [usize; 3] {
    [cell[0] + (corner & 1), cell[1] + (corner >> 1 & 1), cell[2] + (corner >> 2)]
}

const fn edge_between(a: usize, b: usize) -> usize {
    let mut edge = 0;
    while edge < 12 {
        let [from, to] = edge_of(edge);
        if (from == a && to == b) || (from == b && to == a) {
            return edge;
        }
        edge += 1;
    }
    edge
}

const fn join(group: &mut [usize; 12], a: usize, b: usize) {
    let (keep, drop) = (group[a], group[b]);
    let mut edge = 0;
    while edge < 12 {
        if group[edge] == drop {
            group[edge] = keep;
        }
        edge += 1;
    }
}

const fn cycles(bits: usize) -> Cycles {
    let mut group = [0, 1, 2, 3, 4, 5, 6, 7, 8, 9, 10, 11];
    let mut axis = 0;
    while axis < 3 {
        let mut level = 0;
        while level < 2 {
            // The face's corners in their order around it.
            let (b, c) = (1 << ((axis + 1) % 3), 1 << ((axis + 2) % 3));
            let base = level << axis;
            let ring = [base, base | b, base | b | c, base | c];
            let mut crossed = [0; 4];
            let mut count = 0;
            let mut step = 0;
            while step < 4 {
                let (p, q) = (ring[step], ring[(step + 1) % 4]);
                if (bits >> p & 1) != (bits >> q & 1) {
                    crossed[count] = edge_between(p, q);
                    count += 1;
                }
                step += 1;
            }
            if count == 2 {
                join(&mut group, crossed[0], crossed[1]);
            } else if count == 4 {
                let mut corner = 0;
                while corner < 4 {
                    if bits >> ring[corner] & 1 == 1 {
                        let before = edge_between(ring[(corner + 3) % 4], ring[corner]);
                        join(&mut group, before, edge_between(ring[corner], ring[(corner + 1) % 4]));
                    }
                    corner += 1;
                }
            }
            level += 1;
        }
        axis += 1;
    }
    let mut out = Cycles { of: [None; 12], count: 0 };
    let mut number = [u8::MAX; 12];
    let mut edge = 0;
    while edge < 12 {
        let [p, q] = edge_of(edge);
        if (bits >> p & 1) != (bits >> q & 1) {
            if number[group[edge]] == u8::MAX {
                number[group[edge]] = out.count;
                out.count += 1;
            }
            out.of[edge] = Some(number[group[edge]]);
        }
        edge += 1;
    }
    out
}

const fn table() -> [Cycles; 256] {
    let mut out = [Cycles { of: [None; 12], count: 0 }; 256];
    let mut bits = 0;
    while bits < 256 {
        out[bits] = cycles(bits);
        bits += 1;
    }
    out
}

#[cfg(test)]
mod tests {
    use super::CYCLES;

    /// Lorensen and Cline 1987: one corner makes one patch of three edges; two opposite corners of a face, kept
    /// apart, make two; the chequered cell makes four.
    #[test]
    fn known_patterns() {
        assert_eq!((CYCLES[0].count, CYCLES[255].count), (0, 0));
        assert_eq!(CYCLES[1].count, 1);
        assert_eq!(CYCLES[1].of.iter().flatten().count(), 3);
        assert_eq!(CYCLES[0b1001].count, 2);
        assert_eq!(CYCLES[0b0110_1001].count, 4);
        assert_eq!(CYCLES[0b0000_1111].count, 1);
    }
}
