"""What may stand in a table of carriers: one model a kind, each key with its meaning (see `tables`).

Whoever adds a kind adds it to `KINDS`, its settings to `carrier_settings`, what depends on other tables to
`carrier_checks`.
"""

from __future__ import annotations

from typing import Annotated, Final, Literal

from pydantic import AfterValidator, BaseModel, BeforeValidator, Field, PrivateAttr
from pydantic_core import PydanticCustomError

from monitor.adapters.email import MAILBOX
from monitor.adapters.https import RECIPIENT, Target
from monitor.adapters.plugins import CarrierPlugin
from monitor.adapters.snpp import PAGER
from monitor.sitefile.tables import Hidden, Label, Login, Path_, Variable
from monitor.sitefile.values import HIDDEN, duration, host, label, sender

Form = Literal["mail", "page"]


def post_url(value: str) -> str:
    """Where notices are posted to, checked and left as it is."""
    if "@" in value.partition("//")[2].partition("/")[0]:
        raise PydanticCustomError(HIDDEN, "no name or password here: notices are signed, see secret_file")
    Target.parse(value)
    return value


def mailbox(value: str) -> str:
    """A bare mail address."""
    if MAILBOX.fullmatch(value) is None:
        raise ValueError("a mail address, in plain ASCII and without a name")
    return value


Host = Annotated[str, AfterValidator(host)]
Port = Annotated[int, Field(ge=1, le=65_535)]
Sender = Annotated[str, AfterValidator(sender)]
Mailbox = Annotated[str, AfterValidator(mailbox)]
PostUrl = Annotated[str, AfterValidator(post_url)]
Limit = Annotated[int, BeforeValidator(duration("1 s", "2 min"))]


class CarrierTable(Hidden):
    """[carriers.NAME]: what all kinds of carrier have."""

    limit: Limit = Field(
        20_000, description="how long one attempt may take, 1 s to 2 min; by default 20 s", examples=["20 s"]
    )

    @property
    def form(self) -> Form:
        """Which text it carries: the whole notice, or the few words of a page."""
        raise NotImplementedError

    @property
    def unprotected(self) -> bool:
        """Whether its password travels so that anybody on the way can read it."""
        return False

    def address_wanted(self, address: str) -> str | None:
        """What an address there is, if this is none."""
        raise NotImplementedError


class Secret(Hidden):
    """How a secret is found that is no password; it never stands in the file either."""

    secret_file: Path_ | None = Field(
        None,
        description="file that holds the secret alone; relative to this file; readable by its owner only",
        examples=["post-secret"],
    )
    secret_env: Variable | None = Field(
        None, description="environment variable that holds the secret", examples=["POST_SECRET"]
    )

    @property
    def hidden(self) -> tuple[str, str | None, str | None]:
        """Its secret."""
        return "secret", self.secret_file, self.secret_env


class EmailTable(Login, CarrierTable):
    """[carriers.NAME], kind = "email\""""

    kind: Literal["email"] = Field(description="mail, over SMTP", examples=["email"])
    host: Host = Field(description="the mail server", examples=["mail.example.invalid"])
    port: Port | None = Field(
        None, description="by default 587 with starttls, 465 with tls, 25 with none", examples=[587]
    )
    security: Literal["starttls", "tls", "none"] = Field(
        "starttls", description="how the connection is protected", examples=["starttls"]
    )
    sender: Sender = Field(
        description="what stands in From", examples=["Second Bell <secondbell@larkfield.example.invalid>"]
    )
    returns_to: Mailbox | None = Field(
        None,
        description="the mailbox that mails come back to which cannot be delivered, for `secondbell returned`; "
        "by default that of `sender`",
        examples=["secondbell-returned@larkfield.example.invalid"],
    )
    username: Label | None = Field(None, description="login at the mail server", examples=["secondbell"])
    ca_file: Path_ | None = Field(
        None, description="certificates to trust, by default the system's", examples=["ca.pem"]
    )

    @property
    def form(self) -> Form:
        """The whole notice."""
        return "mail"

    @property
    def unprotected(self) -> bool:
        """Without TLS."""
        return self.security == "none"

    def address_wanted(self, address: str) -> str | None:
        """A mailbox."""
        if MAILBOX.fullmatch(address):
            return None
        return "a mail address, in plain ASCII and without a name"


class SnppTable(Login, CarrierTable):
    """[carriers.NAME], kind = "snpp\""""

    kind: Literal["snpp"] = Field(description="pager, over SNPP (RFC 1861)", examples=["snpp"])
    host: Host = Field(description="the paging terminal", examples=["pager.example.invalid"])
    port: Port = Field(444, description="by default 444", examples=[444])
    level: Literal[1, 2] = Field(
        1, description="level of RFC 1861; 2 adds login, urgency and several lines", examples=[2]
    )
    login: Annotated[str, AfterValidator(label(64))] | None = Field(
        None, description="login at the paging terminal, level 2 only", examples=["larkfield"]
    )

    @property
    def form(self) -> Form:
        """A page."""
        return "page"

    @property
    def unprotected(self) -> bool:
        """RFC 1861 knows no TLS."""
        return True

    def address_wanted(self, address: str) -> str | None:
        """A pager."""
        return (
            None if PAGER.fullmatch(address) else "a pager's id: 1 to 64 letters, digits, or any of @ . _ + -"
        )


class HttpsTable(Secret, CarrierTable):
    """[carriers.NAME], kind = "https\""""

    kind: Literal["https"] = Field(
        description="a signed POST (RFC 9421) to whatever a site already has", examples=["https"]
    )
    url: PostUrl = Field(
        description="where to: https://, or http:// on this machine only; no secret in it",
        examples=["https://messages.example.invalid/notices"],
    )
    text: Form = Field(
        "page",
        description="what it carries: page, the few words without health data; or mail, the whole notice",
        examples=["page"],
    )
    key_id: Annotated[str, AfterValidator(label(64))] = Field(
        "secondbell", description="what the secret is called there (`keyid`)", examples=["secondbell"]
    )
    ca_file: Path_ | None = Field(
        None, description="certificates to trust, by default the system's", examples=["ca.pem"]
    )
    client_cert_file: Path_ | None = Field(
        None, description="our own certificate, where one is demanded (PEM)", examples=["secondbell.pem"]
    )
    client_key_file: Path_ | None = Field(
        None,
        description="its key, if it is not in the same file; not encrypted",
        examples=["secondbell-key.pem"],
    )

    @property
    def form(self) -> Form:
        """As the table says."""
        return self.text

    def address_wanted(self, address: str) -> str | None:
        """Whatever the other side knows a person by."""
        return None if RECIPIENT.fullmatch(address) else "1 to 320 signs of plain ASCII without blanks"


class PluginTable(Secret, CarrierTable):
    """[carriers.NAME] of any other kind: that of an installed plug-in, which has further keys of its own."""

    kind: str = Field(description="the name of an installed plug-in", examples=["folder"])
    _plugin: CarrierPlugin = PrivateAttr()
    _options: BaseModel = PrivateAttr()

    def of(self, plugin: CarrierPlugin, options: BaseModel) -> PluginTable:
        """This table, with the plug-in and what its own keys say."""
        self._plugin, self._options = plugin, options
        return self

    @property
    def plugin(self) -> CarrierPlugin:
        """The plug-in."""
        return self._plugin

    @property
    def options(self) -> BaseModel:
        """What its own keys say."""
        return self._options

    @property
    def form(self) -> Form:
        """As the plug-in says."""
        return self._plugin.form

    def address_wanted(self, address: str) -> str | None:
        """As the plug-in says."""
        try:
            return self._plugin.address_wanted(address)
        except Exception as error:  # another's code
            return f"one that its plug-in can read; it failed on it: {type(error).__name__}"


KINDS: Final[dict[str, type[CarrierTable]]] = {"email": EmailTable, "snpp": SnppTable, "https": HttpsTable}
