"""Build the virtual machine of the real bed: Debian's kernel, and BlueZ, D-Bus and a shell in memory.

    python tests/bluetooth/build_vm.py FOLDER

writes ``vmlinux`` and ``initrd.gz`` into FOLDER; without FOLDER it prints the Debian packages that are still to be
installed for it. Programs come from this machine's Debian packages (PROGRAMS); the
kernel is downloaded with apt-get and unpacked, not installed.
"""

import lzma
import re
import shutil
import subprocess
import sys
import tempfile
from pathlib import Path

#: What must be installed: program -> Debian package.
PROGRAMS = {
    "qemu-system-x86_64": "qemu-system-x86",
    "busybox": "busybox-static",
    "socat": "socat",
    "cpio": "cpio",
    "modprobe": "kmod",
    "depmod": "kmod",
    "btattach": "bluez",
    "bluetoothd": "bluez",
    "dbus-daemon": "dbus",
    "apt-get": "apt",
}
SEARCHED = "/usr/bin:/usr/sbin:/bin:/sbin:/usr/libexec/bluetooth"

IN_THE_MACHINE = ("bluetoothd", "dbus-daemon", "socat", "btattach")

#: Kernel modules, in the order of loading; the ciphers are what BlueZ asks the kernel for.
MODULES = (
    "virtio_pci",
    "virtio_console",
    "virtio_net",
    "cmac",
    "ecb",
    "algif_hash",
    "algif_skcipher",
    "hci_uart",
)

BUS_CONFIGURATION = """<!DOCTYPE busconfig PUBLIC "-//freedesktop//DTD D-Bus Bus Configuration 1.0//EN"
 "http://www.freedesktop.org/standards/dbus/1.0/busconfig.dtd">
<busconfig><type>custom</type><listen>unix:path=/run/dbus/system_bus_socket</listen><auth>EXTERNAL</auth>
<policy context="default"><allow send_destination="*" eavesdrop="true"/><allow eavesdrop="true"/><allow own="*"/>
</policy></busconfig>
"""

FILES = {
    "etc/passwd": "root:x:0:0:root:/:/bin/sh\n",
    "etc/group": "root:x:0:\n",
    "etc/nsswitch.conf": "passwd: files\n",
    "etc/modules": " ".join(MODULES),
    "etc/bus.conf": BUS_CONFIGURATION,
    "etc/bluetooth/main.conf": "[General]\nName = bench\n[Policy]\nAutoEnable = true\n",
}
FOLDERS = ("bin", "proc", "sys", "dev", "tmp", "run/dbus", "var/lib/bluetooth")


def missing() -> list[str]:
    """Return the Debian packages that must be installed and are not."""
    return sorted({package for program, package in PROGRAMS.items() if shutil.which(program, path=SEARCHED) is None})


def build(folder: Path) -> None:
    """Write the kernel and the memory disk into ``folder``."""
    with tempfile.TemporaryDirectory() as scratch:
        work = Path(scratch)
        work.chmod(0o755)  # apt-get downloads as a user of its own
        kernel = _unpacked_kernel(work)
        (version,) = (path.name for path in (kernel / "lib/modules").iterdir())
        root = work / "root"
        for name in FOLDERS:
            (root / name).mkdir(parents=True)
        for name, text in FILES.items():
            (root / name).parent.mkdir(parents=True, exist_ok=True)
            (root / name).write_text(text, encoding="utf-8")
        shutil.copy(Path(__file__).with_name("vm_init.sh"), root / "init")
        (root / "init").chmod(0o755)
        shutil.copy(_path("busybox"), root / "bin/busybox")
        for program in IN_THE_MACHINE:
            _add_program(_path(program), root)
        _add_modules(kernel, version, root)
        folder.mkdir(parents=True, exist_ok=True)
        pack = "find . | cpio --create --format=newc --quiet | gzip -1"
        with (folder / "initrd.gz").open("wb") as disk:
            subprocess.run(["bash", "-o", "pipefail", "-c", pack], cwd=root, stdout=disk, check=True)
        (folder / "vmlinux").write_bytes(_unpacked((kernel / f"boot/vmlinuz-{version}").read_bytes()))


def _path(program: str) -> str:
    found = shutil.which(program, path=SEARCHED)
    if found is None:
        raise SystemExit(f"{program} must be there, it is not; apt-get install {PROGRAMS[program]}")
    return found


def _output(*command: str, cwd: Path | None = None) -> str:
    return subprocess.run(command, cwd=cwd, check=True, capture_output=True, text=True).stdout


def _unpacked_kernel(work: Path) -> Path:
    depends = _output("apt-cache", "depends", "linux-image-amd64")
    (package, *_) = re.findall(r"linux-image-[0-9]\S*", depends)
    _output("apt-get", "-qq", "download", package, cwd=work)
    (archive,) = work.glob("*.deb")
    _output("dpkg-deb", "--extract", str(archive), str(work / "kernel"))
    archive.unlink()
    # since Debian 13 the modules are in /usr/lib
    if (work / "kernel/usr/lib/modules").is_dir():
        shutil.copytree(work / "kernel/usr/lib/modules", work / "kernel/lib/modules")
    return work / "kernel"


def _unpacked(image: bytes) -> bytes:
    """Return the kernel inside a compressed image: it starts 2 to 3 s faster where processors are emulated."""
    start = image.find(b"\xfd7zXZ\0")
    if start < 0:
        return image
    inside = lzma.LZMADecompressor().decompress(image[start:])
    return inside if inside.startswith(b"\x7fELF") else image


def _add_program(path: str, root: Path) -> None:
    shutil.copy(path, root / "bin")
    for library in re.findall(r"/\S+", _output("ldd", path).replace(f"{path}:", "")):
        place = root / library.lstrip("/")
        place.parent.mkdir(parents=True, exist_ok=True)
        shutil.copy(library, place)


def _add_modules(kernel: Path, version: str, root: Path) -> None:
    _output(_path("depmod"), "-b", str(kernel), version)
    show = (_path("modprobe"), "-d", str(kernel), "-S", version, "--show-depends")
    for module in MODULES:
        for file in re.findall(r"^insmod (\S+)", _output(*show, module), re.MULTILINE):
            content = Path(file).read_bytes()
            place = root / Path(file.removesuffix(".xz")).relative_to(kernel)
            place.parent.mkdir(parents=True, exist_ok=True)
            place.write_bytes(lzma.decompress(content) if file.endswith(".xz") else content)
    for name in ("modules.builtin", "modules.builtin.modinfo", "modules.order"):
        shutil.copy(kernel / "lib/modules" / version / name, root / "lib/modules" / version / name)
    _output(_path("depmod"), "-b", str(root), version)


if __name__ == "__main__":
    if len(sys.argv) > 1:
        build(Path(sys.argv[1]))
    else:
        print(*missing())
