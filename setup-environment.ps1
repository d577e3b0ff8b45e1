# Dot-sourced with: -Folder FOLDER -Extras EXTRAS. Makes FOLDER a virtual environment with Understave installed, once:
# a stamp of pyproject.toml tells whether anything is left to do, so that later runs need no network.
param([string]$Folder, [string]$Extras)
$ErrorActionPreference = 'Stop'
$python = if ($env:PYTHON) { $env:PYTHON } else { 'python' }
& $python -c 'import sys; sys.exit(sys.version_info < (3, 11))'
if ($LASTEXITCODE -ne 0) {
  [Console]::Error.WriteLine('Understave needs Python 3.11 or later; install it, or name it in $env:PYTHON.')
  exit 2
}
$stamp = Join-Path $Folder 'understave.stamp'
$own = Join-Path (Join-Path $Folder 'Scripts') 'python.exe'
$wanted = $Extras + ' ' + [IO.File]::ReadAllText((Join-Path $PSScriptRoot 'pyproject.toml'))
$there = if (Test-Path -LiteralPath $stamp) { [IO.File]::ReadAllText($stamp) } else { '' }
if (-not (Test-Path -LiteralPath $own) -or $there -ne $wanted) {
  Write-Output "Setting up $Folder (a minute or two, only the first time) ..."
  & $python -m venv $Folder
  if ($LASTEXITCODE -ne 0) { exit $LASTEXITCODE }
  & $own -m pip install --quiet --disable-pip-version-check -e ".$Extras"
  if ($LASTEXITCODE -ne 0) { exit $LASTEXITCODE }
  [IO.File]::WriteAllText($stamp, $wanted)
}
