"""Site writing: whole or not at all, ours and not ours told apart, nothing done that need not be."""

from __future__ import annotations

import errno
import hashlib
import json
import os
import tempfile
from pathlib import Path

import pytest

from builder.errors import InputError, OutputError
from builder.site import swap
from builder.site.manifest import MANIFEST, Listing, write_manifest
from builder.site.previous import site_untouched
from builder.site.whole import SiteFile, check_output, hashed_name, open_site, write_site
from builder.store.stamps import Fingerprints, is_settled, read_record, write_record
from tests.links import check_links

PAGES = {
    "index.html": b"<p>all</p>",
    "toy-boat/index.html": b"<p>boat</p>",
    "toy-boat/poster.jpg": b"\xff\xd8boat",
}


def files(pages: dict[str, bytes]) -> list[SiteFile]:
    return [SiteFile(path, content) for path, content in pages.items()]


def tree(root: Path) -> dict[str, bytes]:
    """Every file below root but the manifest."""
    return {
        path.relative_to(root).as_posix(): path.read_bytes()
        for path in sorted(root.rglob("*"))
        if path.is_file() and path.name != MANIFEST
    }


def alone(out: Path) -> bool:
    """Whether nothing of the work lies about beside the site."""
    return [path.name for path in out.parent.iterdir() if path.name.startswith(".")] == []


@pytest.fixture(params=["exchange", "two renames"])
def each_way(request, monkeypatch):
    """Both ways of changing places; two renames are what systems without an exchange get."""
    if request.param == "two renames":
        monkeypatch.setattr(swap, "exchange", lambda one, other: False)


def test_writes_what_it_was_given_and_nothing_else(tmp_path, each_way):
    out = tmp_path / "site"
    result = write_site(out, files(PAGES))
    assert tree(out) == PAGES
    assert (result.written, result.reused, result.carried, result.removed) == (3, 0, 0, 0)
    assert alone(out)


def test_the_manifest_names_every_file_with_its_hash(tmp_path):
    write_site(tmp_path / "site", files(PAGES))
    manifest = json.loads((tmp_path / "site" / MANIFEST).read_text())
    # RFC 7693 BLAKE2b, here by hashlib, 16 bytes
    assert manifest["files"] == {
        path: hashlib.blake2b(content, digest_size=16).hexdigest() for path, content in PAGES.items()
    }
    assert str(tmp_path) not in (tmp_path / "site" / MANIFEST).read_text()


def test_the_same_input_gives_the_same_bytes(tmp_path):
    write_site(tmp_path / "one", files(PAGES))
    write_site(tmp_path / "two", reversed(files(PAGES)))
    assert (tmp_path / "one" / MANIFEST).read_bytes() == (tmp_path / "two" / MANIFEST).read_bytes()


def test_an_update_writes_only_what_changed_and_removes_what_went(tmp_path, each_way):
    out, memory = tmp_path / "site", tmp_path / "memory.json"
    write_site(out, files(PAGES), memory=memory)
    kept = (out / "index.html").stat()
    changed = {
        "index.html": PAGES["index.html"],
        "toy-boat/index.html": b"<p>better</p>",
        "new/index.html": b"n",
    }
    result = write_site(out, files(changed), memory=memory)
    assert tree(out) == changed
    assert (result.written, result.reused, result.removed) == (2, 1, 1)
    now = (out / "index.html").stat()
    assert (now.st_ino, now.st_mtime_ns) == (kept.st_ino, kept.st_mtime_ns), "an unchanged file is shared, not copied"
    assert not (out / "toy-boat/poster.jpg").exists() and alone(out)


def test_nothing_changed_touches_nothing(tmp_path):
    out, memory = tmp_path / "site", tmp_path / "memory.json"
    write_site(out, files(PAGES), memory=memory)
    before = out.stat()
    result = write_site(out, files(PAGES), memory=memory)
    assert not result.changed and result.reused == 3
    assert (out.stat().st_ino, out.stat().st_mtime_ns) == (before.st_ino, before.st_mtime_ns)
    assert site_untouched(out, memory)


def test_stored_content_is_not_read_when_the_site_holds_it(tmp_path):
    class Stored:
        digest = hashlib.blake2b(b"turn", digest_size=16).hexdigest()
        reads = 0

        def read(self) -> bytes:
            Stored.reads += 1
            return b"turn"

    out, memory = tmp_path / "site", tmp_path / "memory.json"
    write_site(out, [SiteFile("a.mp4", Stored())], memory=memory)
    write_site(out, [SiteFile("a.mp4", Stored()), SiteFile("b", b"")], memory=memory)
    assert Stored.reads == 1


def test_lost_stored_content_is_found_in_the_old_site_under_another_name(tmp_path):
    class Lost:
        digest = hashlib.blake2b(b"turn", digest_size=16).hexdigest()

        def read(self) -> bytes:
            raise LookupError

    out = tmp_path / "site"
    write_site(out, [SiteFile("old-slug/a.mp4", b"turn")])
    write_site(out, [SiteFile("new-slug/a.mp4", Lost())])
    assert tree(out) == {"new-slug/a.mp4": b"turn"}
    with pytest.raises(LookupError):
        write_site(tmp_path / "other", [SiteFile("a.mp4", Lost())])
    assert not (tmp_path / "other").exists() and alone(out)


@pytest.mark.parametrize("memory_kept", [True, False])
def test_a_file_of_ours_that_was_changed_or_deleted_is_put_right(tmp_path, memory_kept):
    out, memory = tmp_path / "site", tmp_path / "memory.json"
    write_site(out, files(PAGES), memory=memory)
    (out / "index.html").write_bytes(b"<p>ALL</p>")  # the same length
    (out / "toy-boat/poster.jpg").unlink()
    if not memory_kept:
        memory.unlink()
    result = write_site(out, files(PAGES), memory=memory)
    assert tree(out) == PAGES
    assert result.written == 2


def test_what_is_not_ours_is_carried_over(tmp_path, each_way):
    out = tmp_path / "site"
    write_site(out, files(PAGES))
    (out / "CNAME").write_text("shop.example")
    (out / "toy-boat/notes.txt").write_text("mine")
    (out / ".git/objects").mkdir(parents=True)
    (out / ".git/HEAD").write_text("ref")
    (out / "uploads/empty").mkdir(parents=True)
    (out / "uploads").chmod(0o750)
    os.symlink("/etc", out / "elsewhere")
    out.chmod(0o711)
    result = write_site(out, files({"index.html": b"new"}))
    assert result.carried == 4
    assert (out / "CNAME").read_text() == "shop.example"
    assert (out / "toy-boat/notes.txt").read_text() == "mine"
    assert (out / ".git/objects").is_dir() and (out / ".git/HEAD").read_text() == "ref"
    assert (out / "uploads/empty").is_dir() and (out / "uploads").stat().st_mode & 0o777 == 0o750
    assert os.readlink(out / "elsewhere") == "/etc"
    assert out.stat().st_mode & 0o777 == 0o711
    assert not (out / "toy-boat/index.html").exists()


def test_what_is_saved_into_the_folder_during_a_build_is_not_lost(tmp_path, each_way):
    out = tmp_path / "site"
    write_site(out, files(PAGES))
    (out / "note.txt").write_text("first")
    with open_site(out) as site:
        site.add(SiteFile("index.html", b"new"))
        (out / "late").mkdir()
        (out / "late/upload.pdf").write_text("late")
        (out / "note.txt.tmp").write_text("second")
        os.replace(out / "note.txt.tmp", out / "note.txt")  # as editors save
        site.finish()
    assert tree(out) == {"index.html": b"new", "late/upload.pdf": b"late", "note.txt": b"second"}
    assert alone(out)


def test_without_hard_links_files_are_copied(tmp_path, monkeypatch, each_way):
    def refuse(*_, **__):
        raise OSError(errno.EPERM, "no hard links here")

    monkeypatch.setattr(os, "link", refuse)
    out = tmp_path / "site"
    write_site(out, files(PAGES))
    (out / "CNAME").write_text("shop.example")
    time_of_page = (out / "index.html").stat().st_mtime_ns
    write_site(out, files({**PAGES, "more": b"m"}))
    assert tree(out) == {**PAGES, "more": b"m", "CNAME": b"shop.example"}
    assert (out / "index.html").stat().st_mtime_ns == time_of_page


def test_a_foreign_file_in_the_way_is_refused_by_name_and_kept(tmp_path):
    out = tmp_path / "site"
    write_site(out, files(PAGES))
    (out / "404.html").write_text("mine")
    (out / "desk-lamp").write_text("a file where a folder must go")
    with pytest.raises(OutputError) as caught:
        write_site(out, files({**PAGES, "404.html": b"ours", "desk-lamp/index.html": b""}))
    assert str(caught.value).splitlines() == [
        f"{out / name}: wasn't written by Kickwheel, and the site needs this place. "
        "Move it away, or give the item another slug."
        for name in ("404.html", "desk-lamp")
    ]
    assert (out / "404.html").read_text() == "mine" and alone(out)


def test_a_foreign_file_that_is_what_we_would_write_becomes_ours(tmp_path):
    out = tmp_path / "site"
    write_site(out, files(PAGES))
    (out / "404.html").write_bytes(b"same")
    write_site(out, files({**PAGES, "404.html": b"same"}))
    write_site(out, files(PAGES))
    assert not (out / "404.html").exists()


def test_items_not_built_stay_as_last_built(tmp_path):
    out = tmp_path / "site"
    write_site(out, files(PAGES))
    with open_site(out) as site:
        site.add(SiteFile("index.html", b"list"))
        assert site.keep("toy-boat") == 2
        site.finish()
    assert tree(out) == {**PAGES, "index.html": b"list"}


def test_an_error_while_files_are_made_leaves_the_old_site(tmp_path):
    out = tmp_path / "deep/site"

    def broken():
        yield SiteFile("index.html", b"half")
        raise InputError.at("photo.jpg", "", "is broken")

    with pytest.raises(InputError):
        write_site(out, broken())
    assert not (tmp_path / "deep").exists(), "not even a folder was made"
    write_site(out, files(PAGES))
    with pytest.raises(InputError):
        write_site(out, broken())
    with pytest.raises(KeyboardInterrupt):
        write_site(out, (raise_interrupt() for _ in range(1)))
    assert tree(out) == PAGES and alone(out)


def raise_interrupt() -> SiteFile:
    raise KeyboardInterrupt


@pytest.mark.parametrize(
    "name",
    [
        "../up",
        "/root",
        "a//b",
        "a/./b",
        "a/../../b",
        "a\\b",
        "c:/x",
        "",
        ".",
        "a/",
        "con",
        "aux.txt/x",
        "x\x00y",
        "end.",
        "space /x",
        "line\nbreak",
        "half\udc80",
        MANIFEST,
    ],
)
def test_names_that_lead_elsewhere_or_break_elsewhere_are_refused(tmp_path, name):
    with pytest.raises(OutputError, match="isn't a safe name"):
        write_site(tmp_path / "site", [SiteFile(name, b"")])
    assert list(tmp_path.iterdir()) == []


def test_two_files_of_one_name_are_refused_also_where_case_does_not_count(tmp_path):
    for pair in (["a", "a"], ["Boat/x", "boat/X"], ["a", "a/b"], ["a/b", "a"]):
        with pytest.raises(OutputError):
            write_site(tmp_path / "site", [SiteFile(name, bytes([place])) for place, name in enumerate(pair)])
    write_site(tmp_path / "site", [SiteFile("a", b"same"), SiteFile("a", b"same")])


def test_a_symbolic_link_as_output_folder_is_followed(tmp_path):
    (tmp_path / "www").mkdir()
    os.symlink(tmp_path / "www", tmp_path / "site")
    write_site(tmp_path / "site", files(PAGES))
    assert (tmp_path / "site").is_symlink() and tree(tmp_path / "www") == PAGES


def test_a_damaged_manifest_is_not_trusted(tmp_path):
    out = tmp_path / "site"
    write_site(out, files(PAGES))
    good = (out / MANIFEST).read_bytes()
    for bad in (b"", b"{}", good[:-9], good.replace(b"boat/index", b"bout/index"), b"[1]", b"\xff" * 40):
        (out / MANIFEST).write_bytes(bad)
        with pytest.raises(OutputError, match="is damaged or from a newer version. Move what you want to keep"):
            write_site(out, files({"index.html": b"new"}))
        assert tree(out) == PAGES and alone(out)


def test_a_manifest_that_names_files_outside_harms_nothing(tmp_path):
    victim = tmp_path / "victim.txt"
    victim.write_text("precious")
    out = tmp_path / "site"
    write_site(out, files(PAGES))
    listing = Listing()
    listing.add("../victim.txt", "0" * 32)
    listing.add(str(victim), "0" * 32)
    (out / MANIFEST).unlink()
    write_manifest(out / MANIFEST, listing)
    with pytest.raises(OutputError):  # everything in the folder now counts as somebody else's
        write_site(out, files({"index.html": b"new"}))
    (out / "index.html").unlink()
    write_site(out, files({"index.html": b"new"}))
    assert victim.read_text() == "precious"


class TestCheckOutput:
    @pytest.fixture
    def shop(self, tmp_path):
        (tmp_path / "shop/photos/boat").mkdir(parents=True)
        (tmp_path / "shop/catalog.toml").write_text("")
        return tmp_path / "shop"

    def refuse(self, shop: Path, out: Path, words: str) -> None:
        before = sorted(shop.rglob("*"))
        with pytest.raises(OutputError, match=words):
            check_output(out, catalog_file=shop / "catalog.toml", inputs=[shop / "photos/boat"])
        assert sorted(shop.rglob("*")) == before

    def test_new_empty_and_own_folders_are_fine(self, shop):
        (shop / "empty").mkdir()
        (shop / "empty/.DS_Store").touch()
        write_site(shop / "own", files(PAGES))
        for out in ("site", "a/b/c", "empty", "own"):
            check_output(shop / out, catalog_file=shop / "catalog.toml", inputs=[shop / "photos/boat"])

    def test_the_catalogue_and_what_holds_it(self, shop):
        for out in (shop, shop.parent, shop / "photos/..", Path("/")):
            self.refuse(shop, out, "would replace the folder that holds the catalogue")

    def test_inside_or_around_the_photos(self, shop):
        self.refuse(shop, shop / "photos/boat/site", "would lie inside .*boat, where photos are")
        self.refuse(shop, shop / "photos/boat", "would lie inside")
        self.refuse(shop, shop / "photos", "would replace .*boat, which the catalogue reads")

    def test_through_a_symbolic_link(self, shop, tmp_path):
        os.symlink(shop / "photos/boat", tmp_path / "link")
        self.refuse(shop, tmp_path / "link/site", "would lie inside")

    def test_foreign_folder_file_and_cache(self, shop, tmp_path):
        (tmp_path / "documents").mkdir()
        (tmp_path / "documents/letter.txt").touch()
        self.refuse(shop, tmp_path / "documents", "has files in it and wasn't written by Kickwheel")
        self.refuse(shop, tmp_path / "documents/letter.txt", "this is a file")
        self.refuse(shop, shop / ".kickwheel/site", "in Kickwheel's cache")

    def test_a_mounted_folder(self, shop):
        self.refuse(shop, Path("/proc"), "mounted folder or a whole disk, which can't be swapped")

    @pytest.mark.skipif(not hasattr(os, "geteuid") or os.geteuid() != 0, reason="becomes another user: needs root")
    def test_no_permission(self):
        folder = Path(tempfile.mkdtemp(prefix="kickwheel-test-"))
        (folder / "catalog.toml").touch()
        folder.chmod(0o755)
        try:
            os.seteuid(65534)
            with pytest.raises(OutputError, match="no permission to write in"):
                check_output(folder / "site", catalog_file=folder / "catalog.toml")
            with pytest.raises(OutputError, match="no permission to write here"):
                write_site(folder / "site", files(PAGES))
        finally:
            os.seteuid(0)
            (folder / "catalog.toml").unlink()
            folder.rmdir()  # fails if anything was left


def test_hashed_names():
    one, two = hashed_name("viewer.js", b"one"), hashed_name("viewer.js", b"two")
    assert one != two and one == hashed_name("viewer.js", hashlib.blake2b(b"one", digest_size=16).hexdigest())
    assert one.startswith("assets/viewer.") and one.endswith(".js") and len(one) == len("assets/viewer..js") + 12
    assert hashed_name("LICENSE", b"").startswith("assets/LICENSE.")


class TestLinks:
    PATHS = (
        "index.html",
        "boat/index.html",
        "boat/a b.jpg",
        "assets/style.css",
        "assets/f.woff2",
        "404.html",
    )

    def faults(self, path: str, text: str, site_path: str | None = None) -> list[str]:
        return check_links([(path, text)], self.PATHS, site_path=site_path)

    @pytest.mark.parametrize(
        "text",
        [
            '<a href="../index.html">',
            '<img src="a%20b.jpg">',
            "<img src='a b.jpg?v=1'>",
            '<a href="#x"></a><p id=x>',
            '<a href="https://shop.example/">',
            '<a href="mailto:a@shop.example">',
            '<img src="data:image/gif;base64,x">',
            '<link href="//cdn.example/x">',
            '<img srcset="a%20b.jpg 1x, ../boat/a%20b.jpg 2x">',
            "<!-- <a href=nope> -->",
            '<script>"<a href=nope>"</script>',
            '<a href="../index.html#part">',
            '<video poster="a%20b.jpg">',
            "<a>",
        ],
    )
    def test_good(self, text):
        assert self.faults("boat/index.html", text) == []

    @pytest.mark.parametrize(
        ("text", "words"),
        [
            ('<a href="nope.html">', "nope.html: no such file"),
            ('<a href="..">', "..: leads to a folder, not to a file"),
            ('<a href="../boat/">', "../boat/: leads to a folder, not to a file"),
            ('<a href="../../index.html">', "leaves the site"),
            ('<a href="/index.html">', "starts at the root of the host"),
            ('<a href="#nope">', "no element with id 'nope'"),
            ('<base href="/">', "a base element"),
            ('<img srcset="a%20b.jpg 1x, nope.jpg 2x">', "nope.jpg: no such file"),
            ('<meta http-equiv="refresh" content="0; url=../gone.html">', "../gone.html: no such file"),
            ("<a href='n&#111;pe'>", "nope: no such file"),
        ],
    )
    def test_bad(self, text, words):
        (fault,) = self.faults("boat/index.html", text)
        assert fault.startswith("boat/index.html: ") and words in fault

    def test_root_absolute_links_of_the_404_page(self):
        page = '<a href="/shop/">home</a><img src="/shop/boat/a%20b.jpg">'
        assert self.faults("404.html", page, site_path="/shop/") == []
        assert len(self.faults("404.html", '<a href="/index.html"><a href="/shop/x">', site_path="/shop/")) == 2

    def test_style_sheets(self):
        assert (
            self.faults("assets/style.css", "@font-face{src:url('f.woff2')} a{background:url(../boat/a%20b.jpg)}") == []
        )
        assert "no such file" in self.faults("assets/style.css", "a{background:url(nope.png)}")[0]


class TestStamps:
    def test_unchanged_sources_are_not_read_again(self, tmp_path):
        photo = tmp_path / "IMG_1.jpg"
        photo.write_bytes(b"photo")
        long_ago = photo.stat().st_mtime - 1000
        os.utime(photo, (long_ago, long_ago))
        first = self.after_a_moment(tmp_path)
        digest = first.of(photo)
        first.save()
        again = Fingerprints(tmp_path / "memory")
        assert again.of(photo) == digest == hashlib.blake2b(b"photo", digest_size=16).hexdigest()
        assert (first.read_count, again.read_count) == (1, 0)

    def after_a_moment(self, tmp_path: Path) -> Fingerprints:
        import time

        time.sleep(0.06)  # past the clock's tick, so that the stamp counts as settled
        return Fingerprints(tmp_path / "memory")

    def test_a_change_is_seen_even_when_size_and_time_are_set_back(self, tmp_path):
        photo = tmp_path / "IMG_1.jpg"
        photo.write_bytes(b"photo one")
        before = photo.stat()
        memory = self.after_a_moment(tmp_path)
        one = memory.of(photo)
        memory.save()
        photo.write_bytes(b"photo two")
        os.utime(photo, ns=(before.st_atime_ns, before.st_mtime_ns))
        assert Fingerprints(tmp_path / "memory").of(photo) != one

    def test_a_file_changed_a_moment_ago_is_not_trusted(self, tmp_path):
        photo = tmp_path / "IMG_1.jpg"
        photo.write_bytes(b"photo")
        status = photo.stat()
        newest = max(status.st_mtime_ns, status.st_ctime_ns)
        assert not is_settled(status, newest + 1_000_000)
        assert is_settled(status, newest + 3_000_000_000)
        memory = Fingerprints(tmp_path / "memory")
        memory.of(photo)
        memory.save()
        assert not list((tmp_path / "memory").glob("*"))

    def test_a_touched_copy_has_the_same_fingerprint(self, tmp_path):
        (tmp_path / "a.jpg").write_bytes(b"photo")
        (tmp_path / "b.jpg").write_bytes(b"photo")
        memory = Fingerprints(tmp_path / "memory")
        assert memory.of(tmp_path / "a.jpg") == memory.of(tmp_path / "b.jpg")

    def test_records_are_checked_when_read(self, tmp_path):
        record = tmp_path / "deep/record.json"
        write_record(record, {"a": [1, "ä"]})
        assert read_record(record) == {"a": [1, "ä"]}
        good = record.read_bytes()
        for place in range(len(good)):
            bad = bytearray(good)
            bad[place] ^= 1
            record.write_bytes(bad)
            assert read_record(record) is None
        for length in range(len(good)):
            record.write_bytes(good[:length])
            assert read_record(record) is None
        assert read_record(tmp_path / "missing") is None
