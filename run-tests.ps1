# Sets up Understave with what its tests need and runs them; arguments go to pytest.
$ErrorActionPreference = 'Stop'
Set-Location -LiteralPath $PSScriptRoot
$folder = Join-Path $PSScriptRoot '.venv-tests'
. (Join-Path $PSScriptRoot 'setup-environment.ps1') -Folder $folder -Extras '[dev]'
$scripts = Join-Path $folder 'Scripts'
& (Join-Path $scripts 'ruff.exe') format --check .
if ($LASTEXITCODE -ne 0) { exit $LASTEXITCODE }
& (Join-Path $scripts 'ruff.exe') check .
if ($LASTEXITCODE -ne 0) { exit $LASTEXITCODE }
& (Join-Path $scripts 'mypy.exe')
if ($LASTEXITCODE -ne 0) { exit $LASTEXITCODE }
# What is compiled is kept for all workers, for the programs that tests start and for the next run, beside the
# sources, where the installer has laid its own.
$env:PYTHONDONTWRITEBYTECODE = ''
$env:PYTHONPYCACHEPREFIX = ''
# The workers collect in step: what one of them alone compiles first, each would compile for itself.
& (Join-Path $scripts 'python.exe') -m pytest --collect-only -qq @args > $null
& (Join-Path $scripts 'python.exe') -m pytest -n ([Environment]::ProcessorCount + 1) --dist loadfile --no-loadscope-reorder @args
exit $LASTEXITCODE
