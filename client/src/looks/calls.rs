//! The coordinator's services about looks as plain calls.

use futures::TryStreamExt as _;
use tidemill_proto::MAX_MESSAGE_BYTES;
use tidemill_proto::v1::looks_client::LooksClient;
use tidemill_proto::v1::pictures_client::PicturesClient;
use tidemill_proto::v1::{
    ItemAttempts, Picture, PictureQuery, PictureWish, RunRequest, SearchRequest, SearchRow, SearchSums,
    SignOffRequest, SignOffRow, search_part,
};
use tonic::transport::Channel;

use crate::failure::Failure;
use crate::rpc::{Rpc, failed};

/// Wishes in one question.
const WISHES_AT_ONCE: usize = 500;

/// Calls about looks. Clones share the connection.
#[derive(Debug, Clone)]
pub struct Looks {
    looks: LooksClient<Channel>,
    pictures: PicturesClient<Channel>,
}

impl Looks {
    /// Over the connection of other calls.
    pub fn over(rpc: &Rpc) -> Self {
        Self {
            looks: LooksClient::new(rpc.channel()).max_decoding_message_size(MAX_MESSAGE_BYTES),
            pictures: PicturesClient::new(rpc.channel())
                .max_decoding_message_size(MAX_MESSAGE_BYTES)
                .max_encoding_message_size(MAX_MESSAGE_BYTES),
        }
    }

    /// All attempts of a run.
    pub async fn attempts(&self, run: &str) -> Result<Vec<ItemAttempts>, Failure> {
        let rows = self.looks.clone().attempts(request(run)).await;
        let rows = rows.map_err(|status| failed(&status))?.into_inner();
        rows.try_collect().await.map_err(|status| failed(&status))
    }

    /// Sums over all runs that fit, and one page of them.
    pub async fn search(&self, request: SearchRequest) -> Result<(SearchSums, Vec<SearchRow>), Failure> {
        let answer = self.looks.clone().search(request).await;
        let mut parts = answer.map_err(|status| failed(&status))?.into_inner();
        let (mut sums, mut rows) = (SearchSums::default(), Vec::new());
        while let Some(part) = parts.message().await.map_err(|status| failed(&status))? {
            match part.part {
                Some(search_part::Part::Sums(found)) => sums = found,
                Some(search_part::Part::Row(row)) => rows.push(row),
                None => {}
            }
        }
        Ok((sums, rows))
    }

    /// Where each variant of a run stands.
    pub async fn sign_offs(&self, run: &str) -> Result<Vec<SignOffRow>, Failure> {
        let list = self.looks.clone().sign_offs(request(run)).await;
        Ok(list.map_err(|status| failed(&status))?.into_inner().rows)
    }

    /// Decides about variants.
    pub async fn sign_off(&self, request: SignOffRequest) -> Result<Vec<SignOffRow>, Failure> {
        let list = self.looks.clone().sign_off(request).await;
        Ok(list.map_err(|status| failed(&status))?.into_inner().rows)
    }

    /// The pictures that are there; the others are asked of nobody.
    pub async fn find(&self, wishes: &[PictureWish]) -> Result<Vec<Picture>, Failure> {
        let mut found = Vec::new();
        for part in wishes.chunks(WISHES_AT_ONCE) {
            let query = PictureQuery {
                wishes: part.to_vec(),
                without_bytes: false,
                quietly: true,
            };
            let rows = self.pictures.clone().find(query).await;
            let rows = rows.map_err(|status| failed(&status))?.into_inner();
            let rows: Vec<Picture> = rows.try_collect().await.map_err(|status| failed(&status))?;
            found.extend(rows);
        }
        Ok(found)
    }

    /// Keeps a picture for the next who looks.
    pub async fn keep(&self, picture: Picture) -> Result<(), Failure> {
        let kept = self.pictures.clone().keep(picture).await;
        kept.map(|_| ()).map_err(|status| failed(&status))
    }
}

fn request(run: &str) -> RunRequest {
    RunRequest { run: run.to_owned() }
}
