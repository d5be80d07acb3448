"""Virtual rasters: broken, without end, or leading where a raster has no business."""

from __future__ import annotations

import os
import shutil
import zipfile

from tests.corpus import Project, bad
from tests.corpus.ground_files import COUNT, raster, through, virtual

_ALSO_READS = "<PixelFunctionType>{name}</PixelFunctionType><PixelFunctionLanguage>Python</PixelFunctionLanguage>"
_WRITES = """import numpy
open({made!r}, "w").write("it ran")
def lift(in_ar, out_ar, *args, **kwargs):
    out_ar[:] = in_ar[0]
"""


@bad("virtual raster")
def vrt_truncated(place: Project) -> None:
    """A virtual raster that was cut short."""
    through(place, virtual("after.tif")[:-60])


@bad("virtual raster")
def vrt_of_missing_tiles(place: Project) -> None:
    """A virtual raster whose tiles were not sent with it."""
    through(place, virtual("tiles/after.tif"))


@bad("virtual raster")
def vrt_of_missing_tiles_below_another(place: Project) -> None:
    """A virtual raster of a virtual raster whose tiles were not sent."""
    place.raw("inner.vrt", virtual("tiles/after.tif"))
    through(place, virtual("inner.vrt"))


@bad("virtual raster")
def vrt_of_tiles_on_another_machine(place: Project) -> None:
    """A virtual raster made on another machine, its tiles named by a drive."""
    through(place, virtual("D:\\gis\\design\\after.tif", relative=0))


@bad("virtual raster")
def vrt_without_bands(place: Project) -> None:
    """A virtual raster without a band."""
    text = virtual("after.tif")
    through(place, text[: text.index("<VRTRasterBand")] + "</VRTDataset>")


@bad("virtual raster")
def vrt_of_itself(place: Project) -> None:
    """A virtual raster that names itself."""
    through(place, virtual("after.vrt"))


@bad("virtual raster")
def vrt_of_one_another(place: Project) -> None:
    """Two virtual rasters that name one another."""
    place.raw("inner.vrt", virtual("after.vrt"))
    through(place, virtual("inner.vrt"))


@bad("virtual raster")
def vrt_of_billions_of_cells(place: Project) -> None:
    """A virtual raster of two thousand million cells squared, true in one corner."""
    through(place, virtual("after.tif", wide=2_000_000_000, high=2_000_000_000).replace(
        "<SourceBand>",
        f'<SrcRect xOff="0" yOff="0" xSize="{COUNT}" ySize="{COUNT}"/>'
        f'<DstRect xOff="0" yOff="0" xSize="{COUNT}" ySize="{COUNT}"/><SourceBand>',
    ))  # fmt: skip


@bad("virtual raster")
def vrt_of_impossible_size(place: Project) -> None:
    """A virtual raster of a negative number of columns."""
    through(place, virtual("after.tif", wide=-5))


@bad("virtual raster")
def vrt_of_a_giant_block(place: Project) -> None:
    """A virtual raster that claims one block of all its billion cells."""
    text = virtual("after.tif", wide=200_000, high=200_000)
    through(place, text.replace('band="1"', 'band="1" blockXSize="200000" blockYSize="200000"'))


@bad("virtual raster")
def vrt_of_a_secret(place: Project) -> None:
    """A virtual raster names a file of the system by its whole path."""
    through(place, virtual("/etc/passwd", relative=0))


@bad("virtual raster")
def vrt_out_of_its_folder(place: Project) -> None:
    """A virtual raster climbs to a raster beside the project's folder."""
    away = place.folder.parent / "elsewhere"
    away.mkdir(exist_ok=True)
    shutil.copy(place.folder / "after.tif", away / "after.tif")
    through(place, virtual("../elsewhere/after.tif"))


@bad("virtual raster")
def vrt_out_by_its_working_folder(place: Project) -> None:
    """A virtual raster names a file from wherever the command is run."""
    through(place, virtual("../../etc/passwd", relative=0))


@bad("virtual raster")
def vrt_out_by_another(place: Project) -> None:
    """A virtual raster names one in a folder below, which climbs out of it."""
    away = place.folder.parent / "elsewhere"
    away.mkdir(exist_ok=True)
    shutil.copy(place.folder / "after.tif", away / "after.tif")
    place.raw("tiles/inner.vrt", virtual("../../elsewhere/after.tif"))
    through(place, virtual("tiles/inner.vrt"))


@bad("virtual raster")
def vrt_out_by_a_link(place: Project) -> None:
    """A tile of a virtual raster is a link to a file elsewhere."""
    away = place.folder.parent / "elsewhere"
    away.mkdir(exist_ok=True)
    shutil.move(place.folder / "after.tif", away / "after.tif")
    (place.folder / "after.tif").symlink_to(away / "after.tif")
    through(place, virtual("after.tif"))


@bad("virtual raster")
def vrt_named_as_a_tif(place: Project) -> None:
    """A virtual raster that is called .tif and names a file of the system."""
    through(place, virtual("/etc/hosts", relative=0), "design.tif")


@bad("virtual raster")
def vrt_behind_blanks(place: Project) -> None:
    """A virtual raster that words before its first element disguise."""
    through(place, "heights\n" + virtual("/etc/hosts", relative=0), "design.tif")


@bad("virtual raster")
def vrt_in_entities(place: Project) -> None:
    """The name of a file of the system is written in character references."""
    through(place, virtual("&#47;etc&#x2f;passwd", relative=0))


@bad("virtual raster")
def vrt_in_a_name(place: Project) -> None:
    """A virtual raster has another one in place of a file's name."""
    inner = virtual("/etc/passwd", relative=0).replace("<", "&lt;").replace(">", "&gt;")
    through(place, virtual(inner, relative=0))


@bad("virtual raster")
def vrt_by_its_own_prefix(place: Project) -> None:
    """A virtual raster names a file of the system as vrt://."""
    through(place, virtual("vrt:///etc/passwd?bands=1", relative=0))


@bad("virtual raster")
def vrt_by_a_driver(place: Project) -> None:
    """A virtual raster names a file of the system behind a driver's name."""
    through(place, virtual("GTIFF_DIR:1:/etc/passwd", relative=0))


@bad("virtual raster")
def vrt_by_part_of_a_file(place: Project) -> None:
    """A virtual raster names the first bytes of a file of the system."""
    through(place, virtual("/vsisubfile/0_100,/etc/passwd", relative=0))


@bad("virtual raster")
def vrt_in_an_archive_elsewhere(place: Project) -> None:
    """A virtual raster names a file in an archive outside of the folder."""
    away = place.folder.parent / "elsewhere"
    away.mkdir(exist_ok=True)
    with zipfile.ZipFile(away / "tiles.zip", "w") as archive:
        archive.write(place.folder / "after.tif", "after.tif")
    through(place, virtual(f"/vsizip/{away}/tiles.zip/after.tif", relative=0))


@bad("virtual raster")
def vrt_in_an_archive_beside_it(place: Project) -> None:
    """A virtual raster names a file in an archive that lies beside it, which is all right."""
    with zipfile.ZipFile(place.folder / "tiles.zip", "w") as archive:
        archive.write(place.folder / "after.tif", "after.tif")
    through(place, virtual(f"/vsizip/{place.folder}/tiles.zip/after.tif", relative=0))


@bad("virtual raster")
def vrt_of_a_folder_that_the_plan_names(place: Project) -> None:
    """A virtual raster leads out of its folder to one that the plan names, which is all right."""
    away = place.folder.parent / "elsewhere"
    away.mkdir(exist_ok=True)
    shutil.move(place.folder / "after.tif", away / "after.tif")
    through(place, virtual("../elsewhere/after.tif"))
    place.section("after", raster=["after.vrt", "../elsewhere"])


@bad("virtual raster")
def vrt_on_a_network(place: Project) -> None:
    """A virtual raster names an address, and the plan gives no leave."""
    through(place, virtual("/vsicurl/https://example.invalid/after.tif", relative=0))


@bad("virtual raster")
def vrt_in_an_archive_on_a_network(place: Project) -> None:
    """A virtual raster names a file in an archive on a network."""
    through(place, virtual("/vsizip//vsicurl/https://example.invalid/tiles.zip/after.tif", relative=0))


@bad("virtual raster")
def vrt_of_this_machine_by_a_network_name(place: Project) -> None:
    """A virtual raster asks the client of a network for a file of this machine, with leave for networks."""
    place.section("project", allow_remote=True)
    through(place, virtual("/vsicurl/file:///etc/passwd", relative=0))


@bad("virtual raster")
def vrt_with_a_program(place: Project) -> None:
    """A virtual raster brings a function in Python."""
    code = f"<PixelFunctionCode><![CDATA[{_WRITES.format(made=str(place.folder / 'ran.txt'))}]]></PixelFunctionCode>"
    more = _ALSO_READS.format(name="lift") + code
    text = virtual("after.tif", more=more).replace('band="1"', 'band="1" subClass="VRTDerivedRasterBand"')
    through(place, text)


@bad("virtual raster")
def vrt_with_a_module(place: Project) -> None:
    """A virtual raster names a function of a module that lies beside it."""
    place.raw("lifting.py", _WRITES.format(made=str(place.folder / "ran.txt")))
    text = virtual("after.tif", more=_ALSO_READS.format(name="lifting.lift"))
    through(place, text.replace('band="1"', 'band="1" subClass="VRTDerivedRasterBand"'))


@bad("virtual raster")
def vrt_of_raw_bytes_elsewhere(place: Project) -> None:
    """A virtual raster takes the bytes of a file of the system for heights."""
    text = virtual("/etc/passwd", relative=0)
    start, end = text.index("<VRTRasterBand"), text.index("</VRTDataset>")
    band = (
        '<VRTRasterBand dataType="Float32" band="1" subClass="VRTRawRasterBand">'
        '<SourceFilename relativetoVRT="0">/etc/passwd</SourceFilename><ImageOffset>0</ImageOffset>'
        "<PixelOffset>4</PixelOffset><LineOffset>144</LineOffset></VRTRasterBand>"
    )
    through(place, text[:start] + band + text[end:])


@bad("virtual raster")
def vrt_of_raw_bytes_too_short(place: Project) -> None:
    """A virtual raster of raw bytes, of which there are fewer than it says."""
    place.raw("after.bin", b"\0" * 100)
    text = virtual("after.bin")
    start, end = text.index("<VRTRasterBand"), text.index("</VRTDataset>")
    band = (
        '<VRTRasterBand dataType="Float32" band="1" subClass="VRTRawRasterBand">'
        '<SourceFilename relativetoVRT="1">after.bin</SourceFilename><ImageOffset>0</ImageOffset>'
        "<PixelOffset>4</PixelOffset><LineOffset>144</LineOffset></VRTRasterBand>"
    )
    through(place, text[:start] + band + text[end:])


@bad("virtual raster")
def vrt_warped_from_elsewhere(place: Project) -> None:
    """A warped virtual raster whose source is a file of the system."""
    through(place, _warped("/etc/passwd"))


@bad("virtual raster")
def vrt_warped_from_nothing(place: Project) -> None:
    """A warped virtual raster without its source."""
    through(place, _warped("lost.tif"))


def _warped(source: str) -> str:
    text = virtual(source)
    head = text[: text.index("<VRTRasterBand")].replace("<VRTDataset", '<VRTDataset subClass="VRTWarpedDataset"')
    return (
        f'{head}<VRTRasterBand dataType="Float32" band="1" subClass="VRTWarpedRasterBand"/>'
        "<BlockXSize>36</BlockXSize><BlockYSize>36</BlockYSize><GDALWarpOptions>"
        f'<SourceDataset relativeToVRT="1">{source}</SourceDataset>'
        '<BandList><BandMapping src="1" dst="1"/></BandList></GDALWarpOptions></VRTDataset>'
    )


@bad("virtual raster")
def vrt_placed_by_arrays_elsewhere(place: Project) -> None:
    """A virtual raster takes its places from arrays in a file of the system."""
    array = '<Metadata domain="GEOLOCATION"><MDI key="X_DATASET">/etc/passwd</MDI></Metadata>'
    through(place, virtual("after.tif").replace("<VRTRasterBand", array + "<VRTRasterBand", 1))


@bad("virtual raster")
def vrt_with_a_document_type(place: Project) -> None:
    """A virtual raster declares an entity that stands for a file of the system."""
    declared = '<!DOCTYPE VRTDataset [<!ENTITY x SYSTEM "file:///etc/passwd">]>'
    through(place, declared + virtual("&x;"))


@bad("virtual raster")
def vrt_with_an_entity_bomb(place: Project) -> None:
    """A virtual raster of entities that hold one another, a thousand million times."""
    levels = "".join(f'<!ENTITY e{i} "{f"&e{i - 1};" * 10}">' for i in range(1, 10))
    through(place, f'<!DOCTYPE V [<!ENTITY e0 "tile">{levels}]>' + virtual("&e9;"))


@bad("virtual raster")
def vrt_nested_without_end(place: Project) -> None:
    """Elements of a virtual raster lie in one another a hundred thousand deep."""
    text = virtual("after.tif")
    deep = "<Metadata>" * 100_000 + "</Metadata>" * 100_000
    through(place, text.replace("<VRTRasterBand", deep + "<VRTRasterBand", 1))


@bad("virtual raster")
def vrt_of_a_pipe(place: Project) -> None:
    """A tile of a virtual raster is a named pipe: whoever reads it waits for ever."""
    if not hasattr(os, "mkfifo"):
        place.allow = "no named pipes here"
        return
    os.mkfifo(place.folder / "tile.tif")
    through(place, virtual("tile.tif"))


@bad("virtual raster")
def description_of_a_map_server(place: Project) -> None:
    """A description of a map server bears the name of a raster."""
    server = "<Service name='TMS'><ServerUrl>https://example.invalid/${z}/${x}/${y}</ServerUrl></Service>"
    place.raw("after.tif", f"<GDAL_WMS>{server}<Cache/></GDAL_WMS>")


@bad("virtual raster")
def description_in_json(place: Project) -> None:
    """A collection in JSON leads to assets on a network."""
    place.section("after", raster="after.json")
    asset = '"assets": {"dem": {"href": "https:\\/\\/example.invalid\\/a.tif"}}'
    place.raw("after.json", '{"type": "Feature", "stac_version": "1.0.0", ' + asset + "}")


@bad("virtual raster")
def vrt_of_vectors(place: Project) -> None:
    """A virtual raster that is a virtual layer of points instead."""
    through(place, '<OGRVRTDataSource><OGRVRTLayer name="p"><SrcDataSource>h.gpkg</SrcDataSource></OGRVRTLayer>'
            "</OGRVRTDataSource>")  # fmt: skip


@bad("virtual raster")
def vrt_in_latin_letters(place: Project) -> None:
    """The name of a tile is in an encoding that is not stated."""
    raster(place, name="Höhe.tif")
    through(place, "")
    place.raw("after.vrt", virtual("Höhe.tif").encode("latin-1"))


@bad("virtual raster")
def vrt_by_an_index_of_tiles(place: Project) -> None:
    """An index of tiles names a layer elsewhere as the list of its tiles."""
    index = "<GDALTileIndexDataset><IndexDataset>/etc/passwd</IndexDataset></GDALTileIndexDataset>"
    through(place, index, "after.gti")
