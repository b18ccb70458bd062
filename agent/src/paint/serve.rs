//! Takes wishes for pictures from the coordinator, one at a time, and answers each. A coordinator that is away is waited
//! for; one that knows no pictures is left alone.

use std::ffi::{OsStr, OsString};
use std::time::Duration;

use tidemill_proto::MAX_MESSAGE_BYTES;
use tidemill_proto::v1::blobs_client::BlobsClient;
use tidemill_proto::v1::pictures_client::PicturesClient;
use tidemill_proto::v1::{BlobRequest, Painted, Picture, PictureWish, blob_chunk};
use tokio::sync::mpsc;
use tokio_stream::wrappers::ReceiverStream;
use tokio_util::sync::CancellationToken;
use tonic::transport::Channel;
use tonic::{Code, Status};

use super::child::draw_apart;
use super::draw::Drawing;
use super::{MOST_FILE_BYTES, Undrawn, answer, too_large};

/// Between two tries to reach the coordinator.
const PAUSE: Duration = Duration::from_secs(3);

/// Draws what is wished for until `shutdown`. `program` is run as the child that draws.
pub async fn serve(channel: Channel, program: OsString, shutdown: CancellationToken) {
    let drawing = async {
        loop {
            match session(&channel, &program).await {
                Err(status) if matches!(status.code(), Code::Unimplemented | Code::PermissionDenied) => {
                    tracing::debug!("no pictures are wished for here: {}", status.message());
                    return;
                }
                _ => tokio::time::sleep(PAUSE).await,
            }
        }
    };
    shutdown.run_until_cancelled(drawing).await;
}

async fn session(channel: &Channel, program: &OsStr) -> Result<(), Status> {
    let mut client = PicturesClient::new(channel.clone()).max_encoding_message_size(MAX_MESSAGE_BYTES);
    let (answers, receiver) = mpsc::channel(1);
    // It opens the stream.
    let _ = answers.send(Painted::default()).await;
    let mut wishes = client.paint(ReceiverStream::new(receiver)).await?.into_inner();
    while let Some(wish) = wishes.message().await? {
        let picture = paint(channel, program, wish).await;
        if answers
            .send(Painted {
                picture: Some(picture),
            })
            .await
            .is_err()
        {
            break;
        }
    }
    Ok(())
}

async fn paint(channel: &Channel, program: &OsStr, wish: PictureWish) -> Picture {
    let drawing = Drawing::of(&wish);
    let not_now = |status: Status| Undrawn::NotNow(status.message().to_owned());
    let drawn = match fetch(channel, &wish.digest).await.map_err(not_now) {
        Ok(Some(bytes)) => draw_apart(program.to_owned(), drawing, bytes).await,
        Ok(None) => Err(too_large()),
        Err(undrawn) => Err(undrawn),
    };
    answer(wish, drawn)
}

/// `None`: there are too many bytes.
async fn fetch(channel: &Channel, digest: &[u8]) -> Result<Option<Vec<u8>>, Status> {
    let mut client = BlobsClient::new(channel.clone()).max_decoding_message_size(MAX_MESSAGE_BYTES);
    let request = BlobRequest {
        digest: digest.to_vec(),
        ..BlobRequest::default()
    };
    let mut chunks = client.get(request).await?.into_inner();
    let mut bytes = Vec::new();
    while let Some(chunk) = chunks.message().await? {
        match chunk.part {
            Some(blob_chunk::Part::Header(header)) if header.size > MOST_FILE_BYTES => return Ok(None),
            Some(blob_chunk::Part::Data(data)) => bytes.extend_from_slice(&data),
            _ => {}
        }
    }
    Ok(Some(bytes))
}
