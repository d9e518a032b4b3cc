"""How an object store is asked: credentials from AWS's usual places, and errors in words of ours.

What the library says of an error may hold addresses, keys and signatures. None of it is passed on: only the
HTTP status and S3's own code, which are looked for, and words of ours.
"""

from __future__ import annotations

import os
import re
from datetime import timedelta
from typing import TYPE_CHECKING

from pipeline.core.errors import InputError, NightclampError, NightFailed
from pipeline.core.setting_sections import ObjectStoreSettings
from pipeline.storage.object_url import ObjectUrl

if TYPE_CHECKING:
    from obstore.store import S3Store

_STATUS = re.compile(r"status code: (\d{3})")
_RETRIES = re.compile(r", after (\d+) retries")
_CODE = re.compile(r"<Code>([A-Za-z]{1,60})</Code>")
# Answers that another try may turn: asked too much, took too long, out of order for a moment, two writers at once.
_PASSING = {408, 409, 425, 429, 500, 502, 503, 504}
_WHO = "check the AWS credentials (environment, profile or role) and what they may do"


def open_store(url: ObjectUrl, own: ObjectStoreSettings) -> S3Store:
    """Return obstore's store for `url`, as patient as the settings say, credentials from AWS's usual places.

    Raises
    ------
    InputError
        nightclamp[s3] is not installed, or there are no credentials.
    """
    try:
        from botocore.exceptions import BotoCoreError
        from obstore.auth.boto3 import Boto3CredentialProvider
        from obstore.exceptions import BaseError
        from obstore.store import S3Store
    except ImportError:
        raise InputError(f"{url}: an object store needs the extra: pip install 'nightclamp[s3]'") from None
    endpoint = os.environ.get("AWS_ENDPOINT_URL_S3") or os.environ.get("AWS_ENDPOINT_URL") or ""
    is_open = os.environ.get("AWS_SKIP_SIGNATURE", "").lower() in ("true", "1")
    try:
        provider = None if is_open else Boto3CredentialProvider()
        return S3Store(
            url.bucket,
            prefix=url.prefix or None,
            credential_provider=provider,
            client_options={
                "connect_timeout": timedelta(seconds=own.connect_s),
                "read_timeout": timedelta(seconds=own.answer_s),
                "timeout": timedelta(days=1),
                "allow_http": endpoint.startswith("http://"),
            },
            retry_config={
                "max_retries": own.tries - 1,
                "retry_timeout": timedelta(seconds=own.give_up_s),
                "backoff": {
                    "init_backoff": timedelta(seconds=own.first_wait_s),
                    "max_backoff": timedelta(seconds=own.longest_wait_s),
                    "base": 2,
                },
            },
        )
    except (BotoCoreError, BaseError, ValueError):
        raise InputError(f"{url}: no usable AWS credentials or settings found; {_WHO}") from None


def _status(error: Exception) -> int | None:
    match = _STATUS.search(str(error))
    return int(match[1]) if match else None


def code_of(error: Exception) -> str:
    """Return S3's own code for an error, such as NoSuchBucket, or nothing."""
    match = _CODE.search(str(error))
    return match[1] if match else ""


def tries_of(error: Exception) -> int | None:
    """Return how often a request was sent before obstore gave it up; None where it did not try again by itself."""
    match = _RETRIES.search(str(error))
    return int(match[1]) + 1 if match else None


def told_of(error: Exception) -> str:
    """Return status and S3's code of an error, nothing else of its text."""
    status = _status(error)
    if status is None:
        return "no answer, or one that broke off"
    return f"status {status} {code_of(error)}".rstrip()


def refusal_of(error: Exception, where: str, url: ObjectUrl) -> NightclampError | None:
    """Return what to say of an error that no other try turns; None where one may."""
    from obstore import exceptions as known

    status, code = _status(error), code_of(error)
    if isinstance(error, known.PermissionDeniedError | known.UnauthenticatedError) or status in (401, 403):
        return InputError(f"{where}: access refused ({told_of(error)}); {_WHO}")
    if code == "NoSuchBucket":
        return InputError(
            f"{url}: no bucket '{url.bucket}' there; check the name, AWS_REGION and AWS_ENDPOINT_URL"
        )
    if isinstance(error, FileNotFoundError):
        return NightFailed(f"{where}: is not there any more; run again")
    if isinstance(error, known.InvalidPathError):
        return InputError(
            f"{where}: holds an object with an empty part, '.' or '..' in its name; rename or remove it"
        )
    if status is not None and 300 <= status < 400:
        return InputError(f"{where}: the bucket is in another region; set AWS_REGION")
    if status is not None and status not in _PASSING:
        return NightFailed(f"{where}: refused ({told_of(error)})")
    return None
