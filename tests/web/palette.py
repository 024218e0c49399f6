"""A screenshot as a small PNG: 256 colours are enough for text and lines."""

from __future__ import annotations

import base64
import struct
import zlib
from typing import Any

import numpy as np
import numpy.typing as npt
from playwright.async_api import Browser

MOST = 256
PIXELS = """async (text) => {
  const bytes = Uint8Array.from(atob(text), (one) => one.charCodeAt(0));
  const image = await createImageBitmap(new Blob([bytes], { type: "image/png" }));
  const copy = new OffscreenCanvas(image.width, image.height).getContext("2d");
  copy.drawImage(image, 0, 0);
  const { data } = copy.getImageData(0, 0, image.width, image.height);
  let out = "";
  for (let k = 0; k < data.length; k += 32768) {
    out += String.fromCharCode(...data.subarray(k, k + 32768));
  }
  return [image.width, image.height, btoa(out)];
}"""
"""The points of a picture, as the browser reads it: red, green, blue, and how solid."""


async def smaller(chromium: Browser, png: bytes) -> bytes:
    """The same picture in the 256 colours that it has most of."""
    page = await chromium.new_page()
    width, height, text = await page.evaluate(PIXELS, base64.b64encode(png).decode())
    await page.close()
    points = np.frombuffer(base64.b64decode(text), dtype=np.uint8)
    return indexed(points.reshape(height, width, 4)[:, :, :3])


def indexed(points: npt.NDArray[Any]) -> bytes:
    """A PNG of (height, width, 3) points; colours beyond MOST become the nearest of these."""
    height, width, _ = points.shape
    colours, which, count = np.unique(
        points.reshape(-1, 3), axis=0, return_inverse=True, return_counts=True
    )
    kept = colours[np.argsort(-count, kind="stable")[:MOST]].astype(np.int64)
    away = ((colours[:, None, :].astype(np.int64) - kept[None]) ** 2).sum(axis=2)
    index = away.argmin(axis=1).astype(np.uint8)[which.ravel()].reshape(height, width)
    rows = np.hstack([np.zeros((height, 1), dtype=np.uint8), index]).tobytes()
    header = struct.pack(">IIBBBBB", width, height, 8, 3, 0, 0, 0)
    parts = ((b"IHDR", header), (b"PLTE", kept.astype(np.uint8).tobytes()),
             (b"IDAT", zlib.compress(rows, 9)), (b"IEND", b""))  # fmt: skip
    return b"\x89PNG\r\n\x1a\n" + b"".join(_chunk(name, body) for name, body in parts)


def _chunk(name: bytes, body: bytes) -> bytes:
    check = zlib.crc32(name + body)
    return struct.pack(">I", len(body)) + name + body + struct.pack(">I", check)
