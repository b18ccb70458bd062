//! Numbers out of glTF accessors: interleaved, sparse, normalised, of every component type. Every range is checked against the
//! buffer, so a count or an offset can never read outside or ask for more memory than the buffers have bytes.

use std::borrow::Cow;

use gltf::accessor::DataType;

use super::ReadError;

pub(super) struct Accessors<'a> {
    buffers: &'a [Cow<'a, [u8]>],
    /// Bytes of all buffers together: no accessor may have more elements.
    most_elements: usize,
}

impl<'a> Accessors<'a> {
    pub fn new(buffers: &'a [Cow<'a, [u8]>]) -> Self {
        let most_elements = buffers.iter().map(|buffer| buffer.len()).sum();
        Self {
            buffers,
            most_elements,
        }
    }

    /// Elements of exactly `N` components as single precision numbers; whole numbers are mapped to -1..1 or 0..1 where the accessor says so.
    pub fn vectors<const N: usize>(&self, accessor: &gltf::Accessor<'_>) -> Result<Vec<[f32; N]>, ReadError> {
        let place = accessor.index();
        if accessor.dimensions().multiplicity() != N {
            return Err(broken(place, &format!("it should have {N} components")));
        }
        let mut values = vec![[0.0; N]; self.checked_count(accessor)?];
        let kind = accessor.data_type();
        let normalized = accessor.normalized();
        let decode = |bytes: &[u8]| -> [f32; N] {
            std::array::from_fn(|component| number(&bytes[component * kind.size()..], kind, normalized))
        };
        if let Some(view) = accessor.view() {
            let elements =
                self.elements(place, &view, accessor.offset(), accessor.count(), accessor.size())?;
            values
                .iter_mut()
                .zip(elements)
                .for_each(|(value, bytes)| *value = decode(bytes));
        }
        if let Some(sparse) = accessor.sparse() {
            let count = sparse.count();
            let indices = sparse.indices();
            let index_kind = indices.index_type();
            let index_size = index_size(index_kind);
            let at = self.elements(place, &indices.view(), indices.offset(), count, index_size)?;
            let sparse_values = sparse.values();
            let replaced = self.elements(
                place,
                &sparse_values.view(),
                sparse_values.offset(),
                count,
                accessor.size(),
            )?;
            for (index, bytes) in at.zip(replaced) {
                let index = whole(index) as usize;
                let slot = values
                    .get_mut(index)
                    .ok_or_else(|| broken(place, "a sparse index is too large"))?;
                *slot = decode(bytes);
            }
        }
        Ok(values)
    }

    /// Vertex indices of any width.
    pub fn indices(&self, accessor: &gltf::Accessor<'_>) -> Result<Vec<u32>, ReadError> {
        let place = accessor.index();
        let unsigned = matches!(accessor.data_type(), DataType::U8 | DataType::U16 | DataType::U32);
        if !unsigned || accessor.dimensions().multiplicity() != 1 || accessor.sparse().is_some() {
            return Err(broken(place, "indices must be plain unsigned numbers"));
        }
        let Some(view) = accessor.view() else {
            return Ok(vec![0; self.checked_count(accessor)?]);
        };
        let elements = self.elements(place, &view, accessor.offset(), accessor.count(), accessor.size())?;
        Ok(elements.map(whole).collect())
    }

    fn checked_count(&self, accessor: &gltf::Accessor<'_>) -> Result<usize, ReadError> {
        let count = accessor.count();
        if count > self.most_elements {
            return Err(broken(
                accessor.index(),
                &format!("{count} elements are more than the buffers have bytes"),
            ));
        }
        Ok(count)
    }

    fn elements(
        &self,
        place: usize,
        view: &gltf::buffer::View<'_>,
        offset: usize,
        count: usize,
        size: usize,
    ) -> Result<impl Iterator<Item = &'a [u8]> + use<'a>, ReadError> {
        let past_the_end = || {
            broken(
                place,
                "it goes past the end of its buffer; the file was cut short or is damaged",
            )
        };
        let buffer: &'a [u8] = self.buffers.get(view.buffer().index()).ok_or_else(past_the_end)?;
        let view_end = view
            .offset()
            .checked_add(view.length())
            .ok_or_else(past_the_end)?;
        let bytes = buffer.get(view.offset()..view_end).ok_or_else(past_the_end)?;
        let stride = view.stride().unwrap_or(size);
        if stride < size {
            return Err(broken(place, "its elements overlap"));
        }
        let needed = match count.checked_sub(1) {
            None => 0,
            Some(steps) => steps
                .checked_mul(stride)
                .and_then(|bytes| bytes.checked_add(size))
                .and_then(|bytes| bytes.checked_add(offset))
                .ok_or_else(past_the_end)?,
        };
        if needed > bytes.len() {
            return Err(past_the_end());
        }
        Ok((0..count).map(move |index| &bytes[offset + index * stride..][..size]))
    }
}

fn index_size(kind: gltf::accessor::sparse::IndexType) -> usize {
    match kind {
        gltf::accessor::sparse::IndexType::U8 => 1,
        gltf::accessor::sparse::IndexType::U16 => 2,
        gltf::accessor::sparse::IndexType::U32 => 4,
    }
}

/// Little-endian, of 1 to 4 bytes.
fn whole(bytes: &[u8]) -> u32 {
    bytes
        .iter()
        .rev()
        .fold(0, |number, byte| number << 8 | u32::from(*byte))
}

/// One component. Normalised numbers: glTF 2.0 specification, "Accessor Data Types" and "Animations", the same formulas.
fn number(bytes: &[u8], kind: DataType, normalized: bool) -> f32 {
    let raw = whole(&bytes[..kind.size()]);
    let (value, largest) = match kind {
        DataType::F32 => return f32::from_bits(raw),
        DataType::I8 => (f32::from(raw as u8 as i8), 127.0),
        DataType::U8 => (raw as f32, 255.0),
        DataType::I16 => (f32::from(raw as u16 as i16), 32767.0),
        DataType::U16 => (raw as f32, 65535.0),
        DataType::U32 => (raw as f32, 4_294_967_295.0),
    };
    if normalized {
        (value / largest).max(-1.0)
    } else {
        value
    }
}

fn broken(accessor: usize, problem: &str) -> ReadError {
    ReadError::Unusable(format!("accessor {accessor}: {problem}"))
}
